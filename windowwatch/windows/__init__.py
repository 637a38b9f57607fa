"""Scored hours in; windows and their changes out."""
