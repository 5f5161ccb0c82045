"""The live view of a session, and what the desk adds to it."""
