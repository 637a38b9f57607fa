"""From the release to the ground: where it is, where it will land, and where to wait for it."""
