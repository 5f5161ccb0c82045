"""The reference firmware on an emulated chip: a test bench, not part of the installed package."""
