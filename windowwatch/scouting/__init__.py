"""Places looked for in a region: where one could launch, and which are the best."""
