"""From an open link to records on disk: greeting, clock, order, confirmation."""
