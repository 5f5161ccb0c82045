"""Copies of sessions and of whole data files: made, taken in, merged, forwarded."""
