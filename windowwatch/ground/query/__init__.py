"""What a pass asks of the ground: pure."""
