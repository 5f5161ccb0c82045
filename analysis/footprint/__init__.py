"""Cells of one strike -> what they say of sole, delivery and press."""
