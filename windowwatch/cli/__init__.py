"""The command line: what a person types, and what the terminal shows."""
