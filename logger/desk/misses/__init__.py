"""A player's usual misses: counted by club, and what they ask for."""
