"""Is it safe: backup, restore, another laptop's file, a look for damage."""
