"""What a board and a host say to each other: bytes in, values out. Pure: no I/O, no clock."""
