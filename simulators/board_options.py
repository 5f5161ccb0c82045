"""What a simulated board is made of."""

from __future__ import annotations

from dataclasses import dataclass, field

from simulators import encode
from simulators.capture import CaptureRules
from simulators.sole import Grid
from simulators.strip import CellFaults, Scanning, Sensing

FORMS = ("scans", "readings", "stream", "text")


@dataclass(frozen=True, kw_only=True)
class BoardOptions:
    """Everything about a board that does not change while it runs."""

    # scans: strike scans; readings: one reading a contact; stream: readings while loaded;
    # text: text lines and no handshake.
    form: str = "scans"
    grid: Grid = field(default_factory=Grid)
    scanning: Scanning = field(default_factory=Scanning)
    sensing: Sensing = field(default_factory=Sensing)
    faults: CellFaults = field(default_factory=CellFaults)
    rules: CaptureRules = field(default_factory=CaptureRules)
    board_id: bytes = b"LB\x00\x00\x5a\x11\x00\x01"
    boot_id: int = 1
    firmware: tuple[int, int, int] = (1, 0, 0)
    name: str = "simulated"
    tick_hz: int = 1_000_000
    # Of the board's oscillator; positive = its ticks come too fast.
    tick_error_ppm: float = 18.0
    first_ticks: int = 0
    trigger_level: int = 40
    # Records kept until confirmed.
    capacity: int = 64
    # Between the last byte of a question and the first of its answer.
    turnaround_ns: int = 0
    foot_switch: bool = True
    battery: bool = False
    # One byte a value where a strike's values allow it.
    compact: bool = False
    # Text form: leave out everything but x, as a first sketch would.
    bare_text: bool = False
    noise_triggers: bool = True
    # Whether *hello* says over which circuit the cells are read.
    says_circuit: bool = False

    def __post_init__(self) -> None:
        if self.form not in FORMS:
            raise ValueError(f"form must be one of {', '.join(FORMS)}, not {self.form!r}")
        if self.form == "text" and self.tick_hz != 1_000_000:
            raise ValueError("text counts microseconds: tick_hz must be 1000000")
        if len(self.board_id) != 8:
            raise ValueError("a board id has 8 bytes")
        grid = self.grid
        if not (1 <= grid.rows <= 4 and 1 <= grid.cells <= 64 and grid.rows * grid.cells <= 128):
            raise ValueError("a board has 1 to 4 rows of 1 to 64 cells, 128 in all at most")

    def hello(
        self, *, boot_id: int, trigger_level: int, oldest_kept: int, next_sequence: int
    ) -> bytes:
        """Make the *hello* frame of a board made like this."""
        grid = self.grid
        scan_ns = int(self.scanning.offsets_ns(grid).max())
        abilities = 1 if self.form == "scans" else 2
        abilities |= self.foot_switch << 2 | self.battery << 3 | 1 << 4
        if self.says_circuit:
            abilities |= 1 << 5 if self.sensing.divider_ohm else 1 << 6
        return encode.Hello(
            board_id=self.board_id, boot_id=boot_id, firmware=self.firmware, tick_hz=self.tick_hz,
            rows=grid.rows, cells=grid.cells, pitch_um=round(grid.pitch_mm * 1000),
            row_distance_um=round(grid.row_distance_mm * 1000) if grid.rows > 1 else 0,
            scan_order=self.scanning.scan_order, scan_ticks=round(scan_ns * self.tick_hz / 1e9),
            full_scale=self.sensing.full_scale, trigger_level=trigger_level,
            oldest_kept=oldest_kept, next_sequence=next_sequence, abilities=abilities,
            name=self.name,
        ).encode()  # fmt: skip
