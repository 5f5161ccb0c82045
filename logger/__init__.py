"""Bytes from a lie board in, strikes stored and shown."""

__version__ = "0.1.0"
