"""Fitting sessions in a second world, with their truth, for judging the lie engine.

Written from the physics of soles, covers and players alone, sharing no code with the product or
with ``simulators/`` (but for the encoding of frames), and wider than an estimator should expect.
`draw_session` draws one; `contact` holds the mechanics; `filing` takes a session into the product.

What is wrong in it, how much, and why. ``practice`` stands for common practice, no source.

====================================  ==================================  ==========================
what                                  how much                            why
====================================  ==================================  ==========================
camber of the set's design            U(215, 350) mm, wedges 0.8 to 1.15  200 to 365 met: 1/8 to 1/4
                                      of it; each head 4 % (t, 4 dof)     in of mark a degree
sole no circle                        flatter middle 30 %, second radius  grinders' practice
                                      30 %, lopsided 25 %, circle 15 %
  flatter middle                      over 12 to 32 mm, 0.3 to 0.8 of     practice
                                      the curvature beside it
  second radius                       from 10 to 22 mm on, 1.2 to 1.7     practice
                                      times the curvature
  lopsided                            5 to 20 % more curved on one side   practice
ends ground off                       1.5 to 9 mm long, radius 8 to 35    practice
                                      mm, heel and toe each their own
middle of the sole                    0.8 mm sd off the score lines'      practice
sole's length                         70 to 84 mm; stated to 0.7 mm sd,   practice
                                      or (20 %) not at all
cover: skin hangs                     85 %: 0.06 to 0.37 of the cover's   foam as an elastic layer
                                      thickness, 2.2 to 4 times the depth (Vlasov; Pasternak)
cover: load spreads                   under 0.3 to 2.5 mm, and 50 %: 3    Flamant; layers
                                      to 20 % of it under 0.5 to 1.2
                                      times the thickness more
cover: stiffening                     0 to 0.35 a mm, 20 %: to 0.7        foam densifies: practice
cover: hysteresis                     0 to 25 % of load                   film 5 to 15 % (practice)
lag                                   0 to 250 us, 20 %: to 500;          viscous foam: practice
                                      each cell 25 %
depth                                 10 % 0.6 to 1.3, 20 % to 2.3, 70 %  hard mat to soft foam
                                      to 4 mm; clubs 10 %, swings 15 %
cells' gains                          17 % sd; 70 % of boards calibrated  film repeats to 5 to 20 %
                                      with 1.5 to 4 % left (said to be    (J. Sensors 2018, 6561901)
                                      that, or 1.5 times better); others
                                      5 to 9 % sd, not calibrated
cells' places                         0.15 mm sd, 20 %: 0.4               hand-cut electrodes
cells' openings                       0.7 to 0.95 of the pitch            gaps between electrodes
law of a cell                         load / (1 + s load), s 0 to 0.4     divider of a film
noise                                 0.3 to 1 count of 1023, 1 to 3 of   converters: practice;
                                      4095, 15 %: thrice that; 1 to 4 %   J. Sensors 2018
                                      of the value each strike, 0.5 %
                                      each sample
dead, weak cell                       7 %, 10 % of boards                 glue, worn film
skewed scans                          2 to 6 us a cell, one by one        multiplexer
path                                  3 deg sd a player, 2 a swing        swing paths: practice
delivery off the mark                 6 mm sd (t, 5 dof), clubs 0.7 mm    players' practice
delivery's scatter                    4 mm sd (t, 4 dof)                  players' practice
lie's scatter                         0.6 deg sd (t, 4 dof)               players' practice
mishits                               4 %: 10 to 20 mm off, 2 deg         players' practice
bounces, double triggers              3 %, 1.5 %                          spring-back
stance                                5 mm sd; 65 % told to 0.5 or 1 mm   floors, shoes; a rule
address mark                          up to 6 mm off the strip's middle,  tape laid by eye
                                      told to 1 mm
lie errors of a set                   level 1 deg sd, slope 0.25 deg a    players and makers
                                      half inch, clubs 0.25 (t, 4 dof),
                                      25 %: one 1.5 to 2.5 deg off
====================================  ==================================  ==========================
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from second_world.contact import Cover, Grind, Prints, Sole, ends_pressed, gap_under, prints
from simulators import encode

# Swings drawn for each club, so that more of them later are the same however many are asked for.
MOST_SWINGS = 90
_POOL = (
    # label, length mm, lie deg, loft deg
    ("4i", 978.0, 60.5, 22.0), ("5i", 965.0, 61.0, 25.0), ("6i", 952.5, 61.5, 29.0),
    ("7i", 940.0, 62.0, 33.0), ("8i", 927.0, 62.5, 37.0), ("9i", 914.5, 63.0, 41.0),
    ("PW", 905.0, 63.5, 45.5), ("GW", 901.0, 64.0, 50.0), ("SW", 895.0, 64.0, 55.0),
    ("LW", 889.0, 64.0, 60.0),
)  # fmt: skip
_PIVOT = "7i"
_WEDGE_LOFT_DEG = 44.0
_HALF_INCH_MM = 12.7
_TICK_HZ = 1_000_000
_BOOT_TICKS = 4_000_000
_PACE_TICKS = 10_000_000
_CHANGE_TICKS = 15_000_000
_PRE_TRIGGER_SCANS = 4
_ROW_LENGTH_MM = 10.0
# Of a player's swings, over the usual speed.
_SLOWEST = 0.88

Ends = Literal["both", "heel", "toe", "none"]


@dataclass(frozen=True)
class TrueClub:
    """One club, as it is and as the set file states it (None = not stated)."""

    label: str
    length_mm: float
    lie_deg: float
    """As delivered to a level sole, static."""
    loft_deg: float
    sole: Sole
    lie_error_deg: float
    """What the engine is asked for: mean of this player's delivery from a level stance, + too
    upright. The tilt is counted from where the tangent at the score lines' middle is level."""
    stance_deg: float
    """Too upright as struck by this much more, because the feet stand lower than the board."""
    own_deg: float
    """Of the lie error, what is off the line of the set."""
    is_outlier: bool
    stated_lie_deg: float | None
    stated_camber_mm: float | None
    stated_camber_u_mm: float | None
    stated_sole_mm: float | None
    material: Literal["forged", "cast", "unknown"]
    delivery_mm: float
    """Mean place of the sole's middle beyond the address mark, + toward the toe."""
    depth_mm: float
    """Median depth of press."""


@dataclass(frozen=True)
class TrueBoard:
    """The strip. Arrays by cell have shape (rows, cells)."""

    pitch_mm: float
    rows: int
    cells: int
    row_distance_mm: float
    scan_order: int
    cell_us: float
    pause_us: float
    """From the last cell of a scan to the first of the next."""
    full_scale: int
    place_mm: np.ndarray
    """(cells,), board frame."""
    gain: np.ndarray
    """0 = dead."""
    lag_share: np.ndarray
    rest: np.ndarray
    opening_mm: float
    law: float
    noise_counts: float
    strike_noise: float
    target_share: float
    """Usual peak over full scale."""
    calibrated_gain: np.ndarray | None
    """As a calibration found them, mean 1, NaN = dead; None = never calibrated."""
    calibrated_u: float
    """As that calibration says."""

    @property
    def scan_us(self) -> float:
        """From the first cell's sample to the last cell's."""
        moments = self.rows * self.cells if self.scan_order == 0 else self.cells
        return self.cell_us * (moments - 1)


@dataclass(frozen=True)
class TruePlayer:
    """Who swings, and how the session is set up."""

    hand: Literal["right", "left"]
    offset_mm: float
    """Mean delivery beyond the address mark, + toward the toe."""
    mark_mm: float
    """Where the address mark is, board frame; what is told is `told_mark_mm`."""
    told_mark_mm: float
    stance_mm: float
    """Feet lower than the board's surface."""
    told_stance_mm: float | None
    told_stance_u_mm: float | None
    hands_mm: float
    """From the butt down to the middle of the hands."""
    scatter_mm: float
    scatter_deg: float
    path_deg: float
    speed_m_s: float
    front_back_mm: float
    """Radius of the soles front to back."""
    sole_width_mm: float


@dataclass(frozen=True)
class TrueStrike:
    """One swing that the board saw."""

    sequence: int
    club: int
    swing: int
    """Number of this swing with this club, from 0."""
    kind: Literal["strike", "bounce", "double trigger"]
    at_ticks: int
    """Of the last scan, not wrapped."""
    lie_deg: float
    """Tilt of the sole as struck."""
    middle_mm: float
    """Where the middle of the sole passed, toward the toe from the strip's middle."""
    toe_mm: float
    """Lowest point on the sole: what a mark would show."""
    depth_mm: float
    heel_pressed: bool
    toe_pressed: bool
    is_mishit: bool
    scan_ticks: np.ndarray
    """(n_scans,) uint32."""
    counts: np.ndarray
    """(n_scans, rows, cells) uint16."""
    flags: int
    span_ticks: int


@dataclass(frozen=True)
class Press:
    """The foot switch: next club."""

    sequence: int
    at_ticks: int


@dataclass(frozen=True)
class Session:
    """A whole fitting session: truth, and what the board sends."""

    seed: int
    choices: Mapping[str, object]
    player: TruePlayer
    clubs: tuple[TrueClub, ...]
    """In the order of the set, longest first."""
    board: TrueBoard
    cover: Cover
    plan: tuple[tuple[int, int], ...]
    """(club, number of swings), in the order hit; the pivot comes first."""
    strikes: tuple[TrueStrike, ...]
    presses: tuple[Press, ...]
    camber_known: bool
    has_outlier: bool

    @property
    def order(self) -> tuple[int, ...]:
        """Clubs in the order of checking: the pivot first, then as they stand in the set."""
        pivot = next(i for i, club in enumerate(self.clubs) if club.label == _PIVOT)
        return (pivot, *(i for i in range(len(self.clubs)) if i != pivot))

    @property
    def truth_deg(self) -> np.ndarray:
        """(n_clubs,): lie errors, stance corrected to level."""
        return np.array([club.lie_error_deg for club in self.clubs])

    def ends_in_print(self, club: int) -> Ends:
        """Which ends of the sole press above a tenth of the peak, in most of the club's strikes."""
        own = [s for s in self.strikes if s.club == club and s.kind == "strike"]
        heel = sum(s.heel_pressed for s in own) * 2 > len(own)
        toe = sum(s.toe_pressed for s in own) * 2 > len(own)
        return "both" if heel and toe else "heel" if heel else "toe" if toe else "none"

    def hello(self) -> bytes:
        """Frame with which the board introduces itself."""
        board = self.board
        return encode.Hello(
            board_id=(0x5EC0DD << 40 | self.seed & 0xFFFFFFFFFF).to_bytes(8, "big"),
            boot_id=7,
            firmware=(1, 0, 0),
            tick_hz=_TICK_HZ,
            rows=board.rows,
            cells=board.cells,
            pitch_um=round(board.pitch_mm * 1000),
            row_distance_um=round(board.row_distance_mm * 1000),
            scan_order=board.scan_order,
            scan_ticks=round(board.scan_us),
            full_scale=board.full_scale,
            trigger_level=_trigger(board),
            oldest_kept=0,
            # Nothing was struck yet when it said so.
            next_sequence=0,
            abilities=1 | 4,
            name="second world",
        ).encode()

    def records(self) -> list[tuple[int, int, list[bytes]]]:
        """(sequence, ticks not wrapped, frames) of all records, in the order of their numbers."""
        found = [
            (
                s.sequence,
                s.at_ticks,
                encode.strike(
                    sequence=s.sequence,
                    flags=s.flags,
                    span_ticks=s.span_ticks,
                    scan_ticks=s.scan_ticks,
                    counts=s.counts,
                ),
            )
            for s in self.strikes
        ]
        for p in self.presses:
            ticks = p.at_ticks % 2**32
            button = encode.button(sequence=p.sequence, ticks=ticks, action=1)
            found.append((p.sequence, p.at_ticks, [button]))
        return sorted(found)

    def set_toml(self, rocked: str | None = None) -> str:
        """Return the set file of this player.

        ``rocked`` is a club whose camber was rocked to 3 %, in place of what is stated of it.
        """
        lines = [
            f'player = "Player {self.seed}"', f'hand = "{self.player.hand}"',
            'set = "second world"', f'pivot = "{_PIVOT}"', "machine_increment_deg = 0.25",
        ]  # fmt: skip
        for club in self.clubs:
            camber, camber_u = club.stated_camber_mm, club.stated_camber_u_mm
            if club.label == rocked:
                error = np.random.default_rng([self.seed, 77]).normal()
                camber_u = 0.03 * club.sole.camber_mm
                camber = club.sole.camber_mm + camber_u * error
            stated = {
                "length_mm": round(club.length_mm, 1),
                "lie_deg": club.stated_lie_deg,
                "loft_deg": club.loft_deg,
                "camber_mm": camber,
                "camber_u_mm": camber_u,
                "sole_length_mm": club.stated_sole_mm,
            }
            lines += ["", "[[club]]", f'label = "{club.label}"', f'material = "{club.material}"']
            lines += [f"{key} = {value:.2f}" for key, value in stated.items() if value is not None]
        return "\n".join(lines) + "\n"

    def marks(
        self, number: int = 3, *, labels: Sequence[str] = (_PIVOT,), u_mm: float = 1.0
    ) -> list[tuple[TrueStrike, float]]:
        """Marks read off the sole: the swing each is of, and what was read, mm toward the toe.

        Swings are taken from the named clubs in turn, the first of each first.
        """
        rng = np.random.default_rng([self.seed, 78])
        own = {
            label: iter([s for s in self.strikes if s.kind == "strike"
                         and self.clubs[s.club].label == label])
            for label in labels
        }  # fmt: skip
        found: list[tuple[TrueStrike, float]] = []
        for n in range(number):
            strike = next(own[labels[n % len(labels)]], None)
            if strike is not None:
                found.append((strike, strike.toe_mm + rng.normal(0.0, u_mm)))
        return found

    def with_more(self, swings: Mapping[str, int]) -> Session:
        """Return the session that goes on from here: so many swings more with these clubs.

        All that was struck stays as it is.
        """
        more = [(i, swings[c.label]) for i, c in enumerate(self.clubs) if swings.get(c.label)]
        return _played(self, (*self.plan, *more))


def draw_session(
    seed: int,
    *,
    hand: Literal["right", "left"] | None = None,
    board: Literal["4x32", "5x24", "3x40", "4x32x2"] | None = None,
    clubs: int | None = None,
    swings: int | None = None,
    depth_mm: float | None = None,
    offset_mm: float | None = None,
    camber_known: bool | None = None,
    stance_told: bool | None = None,
    outlier: bool | None = None,
    calibrated: bool | None = None,
    layers: bool | None = None,
    faults: float = 1.0,
) -> Session:
    """Draw a whole fitting session with its truth.

    What is left None is drawn. The same seed and choices give the same session; a choice changes
    what it names and leaves the other draws alone.

    Parameters
    ----------
    seed
        Of everything.
    hand
        Left-handers: one in ten.
    board
        Pitch in mm x cells; ``x2`` = two rows. ``4x32`` seven in ten.
    clubs, swings
        How many clubs (6 to 9), and swings with each (3, 8, 12, 15 or 30; a club may lack some that
        the board missed).
    depth_mm
        Median depth of press, 0.6 to 4.
    offset_mm
        The player's mean delivery beyond the address mark, + toward the toe.
    camber_known
        Whether the set file states each head's camber, to 3 to 5 %.
    stance_told
        Whether the stance's height was measured and told.
    outlier
        Whether one club is 1.5 to 2.5 degrees off the line of its set.
    calibrated
        Whether the cells were calibrated.
    layers
        False: a plain foundation, no shear, no spreading.
    faults
        1 as in the table above; 0 for the textbook: circular soles not ground off, a linear plain
        foundation, even cells, no noise, no scatter, no path, all cells sampled at one moment.

    Returns
    -------
    Session
        ``clubs`` hold the truth (`TrueClub.lie_error_deg`), ``strikes`` the counts with the truth
        of each swing, `Session.records` the frames of the wire. `filing.file_session` takes it into
        a data file of the product.
    """
    given = {
        "hand": hand, "board": board, "clubs": clubs, "swings": swings, "depth_mm": depth_mm,
        "offset_mm": offset_mm, "camber_known": camber_known, "stance_told": stance_told,
        "outlier": outlier, "calibrated": calibrated, "layers": layers, "faults": faults,
    }  # fmt: skip
    known = _or(camber_known, _stream(seed, 1).random() < 0.5)
    player = _draw_player(seed, hand, offset_mm, stance_told, faults)
    depth = _or(depth_mm, _draw_depth(seed))
    cover = _draw_cover(seed, depth, layers, faults)
    strip = _draw_board(seed, board, calibrated, faults)
    rng = _stream(seed, 2)
    has_outlier = _or(outlier, rng.random() < 0.25)
    own = _draw_set(seed, player, clubs, depth, faults, known, has_outlier)
    number = _or(swings, int(rng.choice([3, 8, 12, 15, 30], p=[0.18, 0.42, 0.12, 0.14, 0.14])))
    session = Session(
        seed, given, player, own, strip, cover, (), (), (), bool(known), bool(has_outlier)
    )
    return _played(session, tuple((club, number) for club in session.order))


def _stream(seed: int, purpose: int) -> np.random.Generator:
    return np.random.default_rng([20_260, seed, purpose])


def _or(given, drawn):
    return drawn if given is None else given


def _heavy(rng: np.random.Generator, dof: float, size=None):
    """Student's t with standard deviation 1."""
    return rng.standard_t(dof, size) * math.sqrt((dof - 2) / dof)


def _draw_player(seed, hand, offset_mm, stance_told, faults) -> TruePlayer:
    rng = _stream(seed, 3)
    side = _or(hand, "left" if rng.random() < 0.1 else "right")
    offset = _or(offset_mm, float(np.clip(6.0 * _heavy(rng, 5), -18, 18)))
    mark = float(rng.choice([0.0, rng.uniform(-6, 6)], p=[0.7, 0.3])) * (faults > 0)
    told_mark = 0.0 if mark == 0 else mark + rng.normal(0.0, 1.0)
    # A mark in the very middle is laid no better.
    mark += (rng.normal(0.0, 1.0) if mark == 0 else 0.0) * faults
    told = _or(stance_told, rng.random() < 0.65)
    stance = rng.normal(0.0, 5.0) * faults
    u = float(rng.choice([0.5, 1.0]))
    told_stance = float(round(stance + rng.normal(0.0, u) * faults, 1))
    return TruePlayer(
        hand=side,
        offset_mm=offset,
        mark_mm=mark,
        told_mark_mm=round(told_mark, 1),
        stance_mm=stance,
        told_stance_mm=told_stance if told else None,
        told_stance_u_mm=u if told else None,
        hands_mm=float(rng.uniform(60, 120)) if faults else 100.0,
        scatter_mm=4.0 * float(np.exp(rng.normal(0.0, 0.25))) * faults,
        scatter_deg=0.6 * float(np.exp(rng.normal(0.0, 0.25))) * faults,
        path_deg=float(rng.normal(0.0, 3.0)) * faults,
        speed_m_s=float(rng.uniform(25, 40)),
        front_back_mm=float(rng.uniform(30, 80)),
        sole_width_mm=float(rng.uniform(18, 24)),
    )


def _draw_depth(seed: int) -> float:
    """Most covers press in as far as the build guide asks; one in ten is a hard mat."""
    rng = _stream(seed, 8)
    low, high = ((0.6, 1.3), (1.3, 2.3), (2.3, 4.0))[rng.choice(3, p=[0.1, 0.2, 0.7])]
    return float(rng.uniform(low, high))


def _draw_cover(seed, depth_mm, layers, faults) -> Cover:
    rng = _stream(seed, 4)
    thick_mm = float(np.clip(depth_mm * rng.uniform(2.2, 4.0), 3.0, 14.0))
    # Vlasov's one-parameter layer: k = E / h and shear G h / 3, so a = h sqrt(G / 3 E) = 0.41 h
    # for foam that does not bulge (G = E / 2); less where the cover is cut or layered.
    shear = 0.41 * thick_mm * float(rng.uniform(0.15, 0.9)) * (rng.random() < 0.85)
    shallow, deep = float(rng.uniform(0.3, 2.5)), thick_mm * float(rng.uniform(0.5, 1.2))
    share = float(rng.uniform(0.03, 0.2)) * (rng.random() < 0.5)
    if layers is False or not faults:
        shear = shallow = share = 0.0
    return Cover(
        shear_mm=shear,
        shallow_mm=shallow,
        deep_mm=deep,
        deep_share=share,
        stiffening_per_mm=float(rng.uniform(0, 0.35) * (2 if rng.random() < 0.2 else 1)) * faults,
        hysteresis=float(rng.uniform(0, 0.25)) * faults,
        lag_us=float(rng.uniform(250, 500) if rng.random() < 0.2 else rng.uniform(0, 250)) * faults,
    )


_BOARDS = {"4x32": (4.0, 32, 1), "5x24": (5.0, 24, 1), "3x40": (3.0, 40, 1), "4x32x2": (4.0, 32, 2)}


def _draw_board(seed, board, calibrated, faults) -> TrueBoard:
    rng = _stream(seed, 5)
    kind = _or(board, str(rng.choice(list(_BOARDS), p=[0.7, 0.1, 0.08, 0.12])))
    pitch, cells, rows = _BOARDS[kind]
    has_calibration = bool(_or(calibrated, rng.random() < 0.7))
    shape = (rows, cells)
    left = float(rng.uniform(0.015, 0.04))
    understated = 1.5 if rng.random() < 0.4 else 1.0
    spread = 0.17 if has_calibration else float(rng.uniform(0.05, 0.09))
    gain = np.exp(spread * faults * _heavy(rng, 6, shape))
    gain /= gain.mean()
    found = gain * (1 + left * faults * rng.normal(size=shape))
    # Under the sole, where it tells: the ten cells at an end of the strip see nothing.
    place = int(rng.integers(cells // 5, cells - cells // 5))
    row = int(rng.integers(rows))
    bad = rng.random()
    weak = float(rng.uniform(0.25, 0.6))
    if faults and bad < 0.07:
        gain[row, place] = 0.0
        found[row, place] = np.nan
    elif faults and bad < 0.17:
        # Worn since the day of the calibration.
        gain[row, place] *= weak
    jitter = 0.4 if rng.random() < 0.2 else 0.15
    full_scale = int(rng.choice([1023, 4095], p=[0.4, 0.6]))
    target = float(rng.uniform(0.3, 0.6))
    return TrueBoard(
        pitch_mm=pitch,
        rows=rows,
        cells=cells,
        row_distance_mm=0.0 if rows == 1 else float(rng.choice([12.0, 14.0])),
        scan_order=2 if not faults else int(rng.integers(2)) if rows > 1 else 0,
        cell_us=float(rng.uniform(2.0, 6.0)) / rows if faults else 1.0,
        pause_us=float(rng.uniform(4.0, 20.0)),
        full_scale=full_scale,
        place_mm=(np.arange(cells) - (cells - 1) / 2) * pitch
        + jitter * faults * rng.normal(size=cells),
        gain=gain,
        lag_share=np.exp(0.25 * rng.normal(size=shape)),
        rest=rng.uniform(0.01, 0.06, size=shape) * full_scale,
        opening_mm=pitch * (float(rng.uniform(0.7, 0.95)) if faults else 0.05),
        law=float(rng.uniform(0.0, 0.4)) * faults,
        noise_counts=float(rng.uniform(0.3, 1.0) * (1 if full_scale == 1023 else 3))
        * faults
        * (3.0 if rng.random() < 0.15 else 1.0),
        strike_noise=float(rng.uniform(0.01, 0.04)) * faults,
        target_share=target,
        calibrated_gain=found / np.nanmean(found) if has_calibration else None,
        calibrated_u=max(left / understated, 0.005),
    )


def _draw_set(seed, player, clubs, depth, faults, camber_known, has_outlier):
    rng = _stream(seed, 6)
    number = _or(clubs, int(rng.integers(6, 10)))
    first = int(rng.integers(max(0, 4 - number), min(3, len(_POOL) - number) + 1))
    level, slope = rng.normal(0.0, 1.0), rng.normal(0.0, 0.25)
    own = 0.25 * _heavy(rng, 4, len(_POOL))
    odd = int(rng.integers(first, first + number))
    odd_deg = float(rng.uniform(1.5, 2.5) * rng.choice([-1, 1]))
    soles = _draw_soles(seed, faults)
    spec_known = rng.random() < 0.5
    material = str(rng.choice(["forged", "cast", "unknown"], p=[0.65, 0.2, 0.15]))
    camber_share = float(rng.uniform(0.03, 0.05))
    sole_stated = rng.random() < 0.8
    found = []
    for i, (label, length, lie, loft) in enumerate(_POOL):
        noise = rng.normal(size=6)
        off = own[i] + (odd_deg if has_outlier and i == odd else 0.0)
        error = level + slope * (length - _POOL[3][1]) / _HALF_INCH_MM + off
        # Off its line mostly because the head is bent so, for the rest because shaft and swing are.
        static = lie + 0.85 * off
        sole = soles[i]
        length += 2.0 * noise[0] * faults
        found.append(TrueClub(
            label=label, length_mm=length, lie_deg=static, loft_deg=loft, sole=sole,
            lie_error_deg=float(error),
            stance_deg=_stance_deg(player.stance_mm, length - player.hands_mm, static),
            own_deg=float(off),
            is_outlier=bool(has_outlier and i == odd),
            stated_lie_deg=round(static + 0.25 * noise[1] * faults, 2) if spec_known else None,
            stated_camber_mm=sole.camber_mm * (1 + camber_share * noise[2] * (faults > 0))
            if camber_known else None,
            stated_camber_u_mm=camber_share * sole.camber_mm if camber_known else None,
            stated_sole_mm=round(sole.length_mm + 0.7 * noise[3] * faults, 1)
            if sole_stated else None,
            material=material,
            delivery_mm=player.offset_mm + 0.7 * noise[4] * faults,
            depth_mm=float(np.clip(depth * math.exp(0.1 * noise[5] * faults), 0.6, 4.0)),
        ))  # fmt: skip
    return tuple(found[first : first + number])


def _stance_deg(stance_mm: float, hands_mm: float, lie_deg: float) -> float:
    """How much flatter the shaft stands when hands at this distance come down by the stance."""
    height = math.sin(math.radians(lie_deg)) - stance_mm / hands_mm
    return lie_deg - math.degrees(math.asin(height))


def _draw_soles(seed: int, faults: float) -> list[Sole]:
    """All heads of the pool: one design for irons, one for wedges."""
    rng = _stream(seed, 7)
    iron = float(rng.uniform(215, 350))
    wedge = float(np.clip(iron * rng.uniform(0.8, 1.15), 200, 365))
    kinds = rng.choice(["circle", "flat", "turn", "lopsided"], size=2, p=[0.15, 0.3, 0.3, 0.25])
    design = [
        {
            "flat_half": rng.uniform(6, 16), "flat_share": rng.uniform(0.3, 0.8),
            "turn": rng.uniform(10, 22), "turn_share": rng.uniform(1.2, 1.7),
            "lopsided": rng.uniform(0.05, 0.2) * rng.choice([-1, 1]),
            "length": rng.uniform(70, 84),
            "grind": rng.uniform(1.5, 9.0, 2), "radius": rng.uniform(8, 35, 2),
        }
        for _ in range(2)
    ]  # fmt: skip
    soles = []
    for _, _, _, loft in _POOL:
        family = int(loft >= _WEDGE_LOFT_DEG)
        d, kind = design[family], str(kinds[family])
        base = (iron, wedge)[family]
        noise = rng.normal(size=8)
        camber = float(np.clip(base * (1 + 0.04 * _heavy(rng, 4)), 190, 380))
        if not faults:
            camber, kind = base, "circle"
        grind = np.clip(d["grind"] + noise[:2], 1.0, 10.0) * (faults > 0)
        soles.append(Sole(
            camber_mm=camber,
            length_mm=float(d["length"] + 0.5 * noise[2] * faults),
            heel=Grind(float(grind[0]), float(d["radius"][0])),
            toe=Grind(float(grind[1]), float(d["radius"][1])),
            middle_mm=0.8 * float(noise[3]) * faults,
            flat_half_mm=float(d["flat_half"]) if kind == "flat" else 0.0,
            flat_share=float(np.clip(d["flat_share"] + 0.05 * noise[4], 0.2, 1.0))
            if kind == "flat" else 1.0,
            turn_mm=float(d["turn"]) if kind == "turn" else 100.0,
            turn_share=float(d["turn_share"] + 0.05 * noise[5]) if kind == "turn" else 1.0,
            lopsided=float(d["lopsided"] + 0.02 * noise[6]) if kind == "lopsided" else 0.0,
        ))  # fmt: skip
    return soles


# -- swings ---------------------------------------------------------------------------------------


@dataclass
class _Swings:
    """All swings of a plan, arrays over contacts."""

    club: list[int] = field(default_factory=list)
    swing: list[int] = field(default_factory=list)
    kind: list[str] = field(default_factory=list)
    lie: list[float] = field(default_factory=list)
    middle: list[float] = field(default_factory=list)
    depth: list[float] = field(default_factory=list)
    path: list[float] = field(default_factory=list)
    trail: list[float] = field(default_factory=list)
    speed: list[float] = field(default_factory=list)
    ticks: list[int] = field(default_factory=list)
    mishit: list[bool] = field(default_factory=list)


def _played(session: Session, plan: tuple[tuple[int, int], ...]) -> Session:
    """Hit everything in the plan."""
    player, clubs, faults = session.player, session.clubs, float(session.choices["faults"])
    swings, presses = _Swings(), []
    done = dict.fromkeys(range(len(clubs)), 0)
    order, up, ticks = session.order, 0, _BOOT_TICKS
    for club, number in plan:
        while order[up] != club:
            up = (up + 1) % len(order)
            ticks += _CHANGE_TICKS
            presses.append(ticks)
        drawn = _draw_swings(session, club)
        for n in range(done[club], min(done[club] + number, MOST_SWINGS)):
            ticks += _PACE_TICKS
            _add(swings, player, clubs[club], club, n, drawn, ticks, faults)
        done[club] = min(done[club] + number, MOST_SWINGS)
    struck = _struck(session, swings)
    # Numbers go by time; of contacts that never reached the trigger there is no record.
    moments = sorted([(s.at_ticks, s) for s in struck] + [(t, None) for t in presses],
                     key=lambda one: one[0])  # fmt: skip
    strikes, pressed = [], []
    for sequence, (at, strike) in enumerate(moments):
        if strike is None:
            pressed.append(Press(sequence, at))
        else:
            strikes.append(replace(strike, sequence=sequence))
    return replace(session, plan=plan, strikes=tuple(strikes), presses=tuple(pressed))


def _draw_swings(session: Session, club: int) -> dict[str, np.ndarray]:
    """All swings that this club may ever see."""
    rng = _stream(session.seed, 100 + club)
    n = MOST_SWINGS
    return {
        "middle": _heavy(rng, 4, n), "lie": _heavy(rng, 4, n), "depth": rng.normal(size=n),
        "path": rng.normal(size=n), "trail": rng.normal(size=n), "speed": rng.normal(size=n),
        "mishit": rng.random(n), "mishit_mm": rng.uniform(10, 20, n) * rng.choice([-1, 1], n),
        "mishit_deg": rng.normal(0.0, 2.0, n), "mishit_depth": rng.uniform(0.5, 1.0, n),
        "echo": rng.random(n), "echo_ms": rng.uniform(30, 90, n), "echo_depth":
        rng.uniform(0.3, 0.5, n), "phase": rng.random(n),
    }  # fmt: skip


def _add(swings, player, club, number, n, drawn, ticks, faults) -> None:
    mishit = bool(drawn["mishit"][n] < 0.04 * faults)
    lie = club.lie_error_deg + club.stance_deg + player.scatter_deg * drawn["lie"][n]
    toe_sign = 1 if player.hand == "right" else -1
    middle = toe_sign * player.mark_mm + club.delivery_mm + player.scatter_mm * drawn["middle"][n]
    depth = club.depth_mm * math.exp(0.15 * faults * drawn["depth"][n])
    if mishit:
        lie += drawn["mishit_deg"][n]
        middle += drawn["mishit_mm"][n]
        depth *= drawn["mishit_depth"][n]
    depth = float(np.clip(depth, 0.35, 4.2))
    # A phase of up to a scan, so that scans fall anyhow on contacts.
    contacts = [("strike", ticks + int(200 * drawn["phase"][n]), depth)]
    if drawn["echo"][n] < 0.03 * faults:
        after = int(1000 * drawn["echo_ms"][n])
        contacts.append(("bounce", contacts[0][1] + after, depth * drawn["echo_depth"][n]))
    elif drawn["echo"][n] < 0.045 * faults:
        contacts.append(("double trigger", contacts[0][1] + 9_000, depth * 0.4))
    for kind, at, deep in contacts:
        swings.club.append(number)
        swings.swing.append(n)
        swings.kind.append(kind)
        swings.lie.append(float(lie))
        swings.middle.append(float(middle))
        swings.depth.append(float(deep))
        swings.path.append(player.path_deg + 2.0 * faults * float(drawn["path"][n]))
        swings.trail.append(3.0 * faults * float(drawn["trail"][n]))
        share = math.exp(0.04 * float(drawn["speed"][n]))
        swings.speed.append(player.speed_m_s * min(max(share, _SLOWEST), 1 / _SLOWEST))
        swings.ticks.append(at)
        swings.mishit.append(mishit)


# -- what the board makes of them -----------------------------------------------------------------


def _trigger(board: TrueBoard) -> int:
    # Well above the noise, as a builder would set it.
    return max(round(0.02 * board.full_scale), math.ceil(10 * board.noise_counts))


def _struck(session: Session, swings: _Swings) -> list[TrueStrike]:
    """Scan all contacts; return those that the board saw, without their numbers."""
    board, cover, clubs = session.board, session.cover, session.clubs
    if not swings.club:
        return []
    club = np.array(swings.club)
    lie = np.array(swings.lie)
    depth = np.array(swings.depth)
    soles = [one.sole for one in clubs]
    table = prints(soles, club, lie, depth, cover, board.opening_mm)
    period_us = board.scan_us + board.pause_us
    period = max(round(period_us), 1)
    load, start_us = _loads(session, swings, table, period)
    quiet = session.choices["faults"] == 0
    # One stream for each contact, so that going on with a session changes nothing before.
    noise = [
        _stream(session.seed, 10_000 + 1000 * c + 10 * n + len(k))
        for c, n, k in zip(swings.club, swings.swing, swings.kind, strict=True)
    ]
    if not quiet:
        uneven = np.array([rng.normal(size=board.gain.shape) for rng in noise])
        load *= 1 + board.strike_noise * uneven[:, None]
    load *= board.gain
    load *= _scale(session)
    law = board.law
    counts = load * (1 + law) / (1 + law * load) * board.target_share * board.full_scale
    if not quiet:
        grain = np.array([rng.normal(size=(2, *load.shape[1:])) for rng in noise])
        counts += board.noise_counts * grain[:, 0] + 0.005 * counts * grain[:, 1]
    above = counts
    raw = np.clip(np.rint(board.rest + counts), 0, board.full_scale).astype(np.uint16)
    return _recorded(session, swings, raw, above, start_us, period)


def _scale(session: Session) -> float:
    """Turn loads into parts of the usual peak: of the set's middle press, the same for ever."""
    depth = float(np.median([club.depth_mm for club in session.clubs]))
    lie = np.array([session.clubs[0].lie_error_deg])
    usual = prints([session.clubs[0].sole], np.array([0]), lie, np.array([depth]), session.cover,
                   session.board.opening_mm)  # fmt: skip
    # Lag and the length of the row take from it; the builder turns the gain up again.
    return 1.0 / (0.8 * float(usual.table.max()))


def _loads(
    session: Session, swings: _Swings, table: Prints, period: int
) -> tuple[np.ndarray, np.ndarray]:
    """Load of each cell at the moment it is sampled, (n, scans, rows, cells), and first moments.

    Moments count in microseconds from when the middle of the sole is over row 0.
    """
    board, cover, player = session.board, session.cover, session.player
    n = len(swings.club)
    speed = np.array(swings.speed) / 1000.0  # mm per us
    reach = player.sole_width_mm / 2 + _ROW_LENGTH_MM / 2
    # The slowest that could be, whoever is in it: what was struck stays as it was.
    slowest = _SLOWEST * player.speed_m_s / 1000.0
    before = math.ceil(reach / slowest) + (_PRE_TRIGGER_SCANS + 1) * period
    after = reach / slowest + board.row_distance_mm / slowest
    # Seven time constants of the slowest cell: a part in a thousand.
    after += 7 * cover.lag_us * float(board.lag_share.max())
    scans = math.ceil((before + after) / period) + 2
    row, cell = np.indices((board.rows, board.cells))
    skew = {
        0: (row * board.cells + cell) * board.cell_us, 1: cell * board.cell_us, 2: 0.0 * cell,
    }[board.scan_order]  # fmt: skip
    phase = np.array(swings.ticks) % period
    start = -before + phase.astype(float)
    toe_sign = 1 if player.hand == "right" else -1
    place = toe_sign * board.place_mm
    middle = np.array(swings.middle)
    drift = np.tan(np.radians(np.array(swings.path)))
    trail0 = np.array(swings.trail)
    depth = np.array(swings.depth)
    strike = np.arange(n)[:, None, None, None]
    # Two steps a scan for the lag.
    steps = 2
    moments = start[:, None] + np.arange(scans * steps) * (period / steps)
    t = moments[:, :, None, None] + skew
    over = speed[:, None, None, None] * t
    u = place - middle[:, None, None, None] - drift[:, None, None, None] * over
    total = np.zeros_like(t)
    for along in (-1 / 3, 0.0, 1 / 3) if session.choices["faults"] else (0.0,):
        trail = over - row * board.row_distance_mm - along * _ROW_LENGTH_MM
        rise = (trail - trail0[:, None, None, None]) ** 2 / (2 * player.front_back_mm)
        deep = np.where(abs(trail) <= player.sole_width_mm / 2,
                        depth[:, None, None, None] - rise, 0.0)  # fmt: skip
        total += _where_pressed(table, strike, deep, u)
    total /= 3 if session.choices["faults"] else 1
    if cover.hysteresis:
        most = np.maximum.accumulate(total, axis=1)
        back = np.divide(total, most, out=np.ones_like(total), where=most > 0)
        total *= 1 - cover.hysteresis * (1 - back)
    if cover.lag_us:
        keep = np.exp(-(period / steps) / (cover.lag_us * board.lag_share))
        for k in range(1, total.shape[1]):
            total[:, k] += keep * (total[:, k - 1] - total[:, k])
    return total[:, ::steps], start


def _where_pressed(table: Prints, strike, deep, u) -> np.ndarray:
    """Look loads up only where there is one: most samples are before and after the contact."""
    out = np.zeros(u.shape)
    pressed = np.broadcast_to(deep, u.shape) > 0
    index = np.nonzero(pressed)
    out[index] = table.at(
        np.broadcast_to(strike, u.shape)[index], np.broadcast_to(deep, u.shape)[index], u[index]
    )
    return out


def _recorded(session, swings, raw, above, start_us, period) -> list[TrueStrike]:
    """Cut records out of the scans as a board does, and put the truth beside them."""
    board, clubs = session.board, session.clubs
    trigger = _trigger(board)
    heaviest = above.max(axis=(2, 3))
    found = []
    club = np.array(swings.club)
    lie, depth = np.array(swings.lie), np.array(swings.depth)
    pressed = np.zeros((len(club), 2), bool)
    for number, one in enumerate(clubs):
        own = club == number
        if own.any():
            pressed[own] = ends_pressed(one.sole, lie[own], depth[own], session.cover)
    lowest = {}
    for i in range(len(club)):
        over = np.flatnonzero(heaviest[i] >= trigger)
        if not len(over):
            continue
        first = max(int(over[0]) - _PRE_TRIGGER_SCANS, 0)
        gone = np.flatnonzero(heaviest[i] >= trigger / 2)
        last = min(int(gone[gone >= over[0]][-1]) + 1, raw.shape[1] - 1)
        own = raw[i, first : last + 1]
        begin = swings.ticks[i] + int(start_us[i]) + first * period
        ticks = begin + period * np.arange(len(own))
        key = (club[i], round(lie[i], 9))
        if key not in lowest:
            lowest[key] = clubs[club[i]].sole.lowest_mm(lie[i])
        found.append(TrueStrike(
            sequence=-1, club=int(club[i]), swing=swings.swing[i], kind=swings.kind[i],
            at_ticks=int(ticks[-1]), lie_deg=swings.lie[i], middle_mm=swings.middle[i],
            toe_mm=lowest[key], depth_mm=swings.depth[i],
            heel_pressed=bool(pressed[i, 0]), toe_pressed=bool(pressed[i, 1]),
            is_mishit=swings.mishit[i], scan_ticks=(ticks % 2**32).astype(np.uint32), counts=own,
            flags=encode.SATURATED if int(own.max()) >= board.full_scale else 0,
            span_ticks=max(int(gone[-1] - over[0]), 1) * period,
        ))  # fmt: skip
    return found


__all__ = [
    "Cover", "Grind", "Session", "Sole", "TrueBoard", "TrueClub", "TruePlayer", "TrueStrike",
    "draw_session", "gap_under",
]  # fmt: skip
