"""Robust means, straight lines, and what an uncertainty is made of."""
