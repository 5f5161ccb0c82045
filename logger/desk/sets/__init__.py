"""A set of clubs as a table."""
