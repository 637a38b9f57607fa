"""One module for each version of the schema, never changed once released."""
