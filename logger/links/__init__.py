"""Links to a board: serial ports, sockets, and capture files that stand in for them."""
