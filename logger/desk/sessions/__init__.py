"""Sessions of all players: found, put right, deleted."""
