"""The printable report of a session and the charts of a set's history; text and bytes only."""
