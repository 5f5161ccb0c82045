"""Numbers only: strikes, contact, lie error, bends. No I/O, nothing of ours imported."""
