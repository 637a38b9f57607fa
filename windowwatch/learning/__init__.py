"""Answers kept, and held against what came: how good they were, and what to believe next time."""
