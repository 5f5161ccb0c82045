"""What to bend and by how much, which club to hit next, and what past bends did."""
