"""What now: the view that the day begins with."""
