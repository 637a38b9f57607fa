"""When things run, in which process, and what happens between two passes."""
