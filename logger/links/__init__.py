"""Links to a board: serial ports and what stands in for them."""
