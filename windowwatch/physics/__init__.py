"""Numbers in, numbers out: air, balloon, flight."""
