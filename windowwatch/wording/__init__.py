"""Stored facts put into words, when they are read."""
