"""All players, and one of them."""
