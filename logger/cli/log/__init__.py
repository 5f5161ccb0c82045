"""``lieboard log``: one bay or several, at a terminal or without one."""
