"""Start a fitting: who, with what, and how the feet stand."""
