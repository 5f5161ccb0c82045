"""Guided work on a board: check it, calibrate its cells, rock a head on it."""
