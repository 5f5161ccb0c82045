"""Keys in, text out: what every screen at a terminal stands on."""
