"""Stored strikes -> one picture of the set."""
