"""Boards and players that are not there, written from the physics and the wire format alone."""
