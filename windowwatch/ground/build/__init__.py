"""Everything that only the builder of ground files needs; it runs in a process of its own."""
