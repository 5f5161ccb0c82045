"""From what a board sends to contacts of the strip, and which of them are strikes."""
