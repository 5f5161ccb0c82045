"""Boards: what is plugged in or on the air, and whether it may be used."""
