"""``lieboard boards`` and ``lieboard board``: find a board, check it, make it better."""
