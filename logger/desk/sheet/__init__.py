"""What to bend: a row a club, with wishes at the row."""
