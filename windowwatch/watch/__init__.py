"""One pass of the line, and when it runs."""
