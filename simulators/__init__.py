"""Boards and players that are not there, written from the physics and the wire format alone.

``python -m simulators`` runs one behind a pseudo-terminal or a TCP port. Within:

- `sole`, `strip`: a sole on a compliant strip of cells, with the faults that real ones have;
- `contacts`, `clubs`, `player`, `script`: what touches the board, and when;
- `capture`, `readings`, `records`, `board`, `encode`: the firmware, on virtual time;
- `faults`, `line_ends`, `serial_board`: the line, good or bad, and the process;
- `batch`: strikes by the thousand, as arrays with their truth.

Nothing here knows how the logger decodes or how the analysis estimates, and must not.
"""
