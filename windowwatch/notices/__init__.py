"""Stored changes in; messages on phones out."""
