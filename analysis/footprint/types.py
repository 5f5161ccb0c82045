"""What goes into a footprint fit, what comes out, and why there may be no number."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.conventions import FloatArray

BoolArray = NDArray[np.bool_]


class Reason(IntEnum):
    """Why a strike has no number; `words` says it to a person."""

    OK = 0
    NOT_NUMBERS = 1
    BAD_GAIN = 2
    NO_LOAD = 3
    NEGATIVE = 4
    TOO_FEW_CELLS = 5
    SATURATED = 6
    OFF_STRIP = 7
    TWO_PATCHES = 8
    NOT_A_SOLE = 9
    NOT_CONVERGED = 10

    @property
    def words(self) -> str:
        """One line that says what is wrong and what to do."""
        return _WORDS[self]


_WORDS = {
    Reason.OK: "",
    Reason.NOT_NUMBERS: "cell values or times are missing: read the strike again from the board",
    Reason.BAD_GAIN: "a cell gain is zero or negative: calibrate the strip again",
    Reason.NO_LOAD: "no cell was pressed: lower the trigger level or check the strip",
    Reason.NEGATIVE: "cells fall when pressed: check the polarity of the strip and its rest level",
    Reason.TOO_FEW_CELLS: "fewer than three cells were pressed: use a softer cover or finer cells",
    Reason.SATURATED: "too many cells at full scale: lower the gain of the strip",
    Reason.OFF_STRIP: "the patch runs off the end of the strip: move the address mark",
    Reason.TWO_PATCHES: "two patches: the ball, a foot or a divot was on the strip too",
    Reason.NOT_A_SOLE: "the pattern is not that of a sole: look at the cells and their calibration",
    Reason.NOT_CONVERGED: "the fit did not settle: look at the cells of this strike",
}


@dataclass(frozen=True)
class StripSpec:
    """What is known of a strip's row of cells.

    Parameters
    ----------
    pitch_mm : float
        From one cell's middle to the next.
    cells : int
        Cells in the row, at least 4.
    full_scale_counts : float
        Greatest raw value; a raw value from here on is taken as saturated.
    scan_us : float
        From the first cell's sample to the last cell's of one scan, microseconds; 0 = all at once.
        Only used when `fit_footprints` is given one time per scan.
    gain : array_like
        Relative gain of each cell (1 = the mean cell); NaN marks a cell known to be dead.
    gain_u : float
        Standard uncertainty of a cell's gain from one strike to the next, relative. The default
        suits resistive film (repeatability about 5 % as a standard deviation: J. Sensors 2018,
        6561901, Tables 4 and 5).
    gain_shared_u : float
        Standard uncertainty of the calibration itself, relative: the same error in every strike.
    offset_u_counts : float
        Standard deviation of a resting cell, counts.
    neighbour_share, neighbour_u : float
        Share of its load that a cell hands to its two neighbours through the cover, and its
        standard uncertainty. It softens the print's ends, as a ground-off sole does. The default is
        our estimate for a cover about as thick as the pitch; give 0 and 0 for cells that do not.
    cell_width_mm : float or None
        Width that a cell averages over; None = the pitch.
    cover_shape, cover_shape_u : float
        How the cover carries load, and its standard uncertainty: 0 = elastic foundation (the
        pressure is a parabola, as under a thin soft cover), 1 = half-space (a semi-ellipse: a thick
        one). The default says that it is anything between (Johnson, Contact Mechanics, 1985, 4.2
        and 4.3 are the two ends; the spread is that of even odds between them, a little widened).
    """

    pitch_mm: float
    cells: int
    full_scale_counts: float
    scan_us: float = 0.0
    gain: ArrayLike = 1.0
    gain_u: float = 0.05
    gain_shared_u: float = 0.0
    offset_u_counts: float = 2.0
    neighbour_share: float = 0.12
    neighbour_u: float = 0.08
    cell_width_mm: float | None = None
    cover_shape: float = 0.5
    cover_shape_u: float = 0.45

    def __post_init__(self) -> None:
        if self.cells < 4:
            raise ValueError("a strip needs at least 4 cells")
        for name in ("pitch_mm", "full_scale_counts", "offset_u_counts"):
            if not getattr(self, name) > 0:
                raise ValueError(f"{name} must be positive")
        for name in ("scan_us", "gain_u", "gain_shared_u", "neighbour_u", "cover_shape_u"):
            if not getattr(self, name) >= 0:
                raise ValueError(f"{name} must not be negative")
        width = self.cell_width_mm
        if width is not None and not 0 < width <= self.pitch_mm:
            raise ValueError("cell_width_mm must be positive and at most the pitch")
        if np.asarray(self.gain).shape not in ((), (self.cells,)):
            raise ValueError(f"gain must be one number or {self.cells} numbers")

    @property
    def width_mm(self) -> float:
        """Width that a cell averages over, mm."""
        return self.pitch_mm if self.cell_width_mm is None else self.cell_width_mm


@dataclass(frozen=True)
class SolePrior:
    """What is known of the sole; each a number, or one per strike.

    Parameters
    ----------
    camber_mm, camber_u_mm : array_like
        Radius R of the heel-to-toe arc and its standard uncertainty. The strip cannot see R (a
        press with R, k, d, tan e looks like one with s R, s k, d/s, tan(e)/s), so its uncertainty
        goes into every degree.
    length_mm, length_u_mm : array_like
        Length L of the sole from end to end, ground-off parts included, and its standard
        uncertainty.
    middle_u_mm : float
        Standard uncertainty of the middle of that part against the middle of the score lines, mm:
        heel and toe are seldom ground alike. What the ends tell of the place is no better than
        this. The default is our estimate; measure the head to do better.
    depth_mm : array_like
        Typical depth of press, median of a log-normal prior.
    depth_factor : float
        One standard deviation of that prior, as a factor (> 1).
    ground_mm, ground_u_mm : float
        Over how many millimetres the sole is ground off at heel and toe, within its length, and its
        standard uncertainty; heel and toe each have their own. The default covers half a
        millimetre to 15 (common practice, no source). Give 0.01 and 0.01 for a sole that ends in
        sharp edges.
    ground_radius_mm, ground_radius_factor : float
        Radius along which it is ground off, and one standard deviation of that as a factor (>= 1).
        The default covers 10 to 60 mm (common practice, no source).
    """

    camber_mm: ArrayLike
    camber_u_mm: ArrayLike
    length_mm: ArrayLike
    length_u_mm: ArrayLike = 1.5
    middle_u_mm: float = 0.5
    depth_mm: ArrayLike = 2.0
    depth_factor: float = 2.7
    ground_mm: float = 5.0
    ground_u_mm: float = 5.0
    ground_radius_mm: float = 25.0
    ground_radius_factor: float = 1.6

    def __post_init__(self) -> None:
        for name in (
            "camber_mm",
            "length_mm",
            "length_u_mm",
            "depth_mm",
            "ground_mm",
            "ground_u_mm",
        ):
            if not np.all(np.asarray(getattr(self, name)) > 0):
                raise ValueError(f"{name} must be positive")
        if not np.all(np.asarray(self.camber_u_mm) >= 0) or not self.middle_u_mm >= 0:
            raise ValueError("camber_u_mm and middle_u_mm must not be negative")
        if not self.depth_factor > 1:
            raise ValueError("depth_factor must be above 1")
        if not (self.ground_radius_mm > 0 and self.ground_radius_factor >= 1):
            raise ValueError("ground_radius_mm must be positive and its factor at least 1")


@dataclass(frozen=True)
class AimPrior:
    """Where the sole's middle is expected to pass, in the board frame.

    Parameters
    ----------
    sole_middle_mm : array_like
        Address mark, board_mm; a number or one per strike.
    scatter_mm : float
        Strike-to-strike standard deviation of the delivery about the player's own mean.
    offset_u_mm : float
        Standard uncertainty of the player's mean delivery off the mark: common to all strikes.
        The default is wide on purpose: a player who delivers every club 10 mm toward the toe is
        nothing rare (common practice, no source).
    """

    sole_middle_mm: ArrayLike = 0.0
    scatter_mm: float = 4.0
    offset_u_mm: float = 10.0

    def __post_init__(self) -> None:
        if not (self.scatter_mm > 0 and self.offset_u_mm >= 0):
            raise ValueError("scatter_mm must be positive and offset_u_mm not negative")

    @property
    def sd_mm(self) -> float:
        """Standard deviation of one strike's sole middle about the mark, mm."""
        return float(np.hypot(self.scatter_mm, self.offset_u_mm))


@dataclass(frozen=True)
class FootprintFits:
    """One row per strike; where `reason` is not OK every number is NaN.

    Attributes
    ----------
    reason : (n,) int
        A `Reason`.
    centre_mm, centre_sd_mm : (n,)
        Where the middle of the sole passed, board frame; posterior mean and standard deviation.
    toe_mm, toe_sd_mm : (n,)
        Lowest point on the sole, positive toward the toe.
    lie_error_deg, lie_sd_deg, lie_low_deg, lie_high_deg : (n,)
        Posterior mean, standard deviation and central 90 % interval; positive = too upright.
    depth_mm, depth_sd_mm : (n,)
        Depth of press under the sole's middle, with the camber's uncertainty.
    correlation : (n,)
        Posterior correlation of centre (board frame) and lie error.
    covariance : (n, 3, 3)
        Of (centre_mm, lie_error_deg, depth_mm); the depth's share is that of the Laplace
        approximation.
    heel_share, toe_share : (n,)
        Share of the information on where that end of the sole is that the strip gave, times the
        chance that this end is in print: 0 = the prior says all, 1 = the strip says all.
    chi2, dof, p_value : (n,)
        Misfit of the cells, its degrees of freedom, and the chance of a greater one.
    noise_factor : (n,)
        What the standard deviations were multiplied by because the misfit was great (>= 1).
    bad_cell : (n,) int
        A cell the fit does not believe (dead or stuck), or -1.
    node_* : (n, n_nodes)
        Likelihood of the strip along the centre (player frame, relative to the mark; prior on the
        centre taken out), and the lowest point given the centre. For `session_levels`.
    """

    reason: NDArray[np.int64]
    centre_mm: FloatArray
    centre_sd_mm: FloatArray
    toe_mm: FloatArray
    toe_sd_mm: FloatArray
    lie_error_deg: FloatArray
    lie_sd_deg: FloatArray
    lie_low_deg: FloatArray
    lie_high_deg: FloatArray
    depth_mm: FloatArray
    depth_sd_mm: FloatArray
    correlation: FloatArray
    covariance: FloatArray
    heel_share: FloatArray
    toe_share: FloatArray
    chi2: FloatArray
    dof: FloatArray
    p_value: FloatArray
    noise_factor: FloatArray
    bad_cell: NDArray[np.int64]
    node_centre_mm: FloatArray = field(repr=False)
    node_log_likelihood: FloatArray = field(repr=False)
    node_toe_mm: FloatArray = field(repr=False)
    node_toe_sd_mm: FloatArray = field(repr=False)
    gain_influence_mm: FloatArray = field(repr=False)
    """(n, 2, cells): change of (centre, toe), player frame, per unit of relative gain error."""
    head_influence_mm: FloatArray = field(repr=False)
    """(n, 2, 4): change of (centre, toe) by one standard uncertainty of the sole's length, of what
    is ground off at heel and at toe, and of the radius of that; the same in all of a head's."""
    cover_influence_mm: FloatArray = field(repr=False)
    """(n, 2, 2): likewise of the cover's shape and the neighbours' share, the same in all."""
    middle_influence: FloatArray = field(repr=False)
    """(n,): change of the centre (less of the toe) per mm that the printing part is off-centre."""
    camber_mm: FloatArray = field(repr=False)
    camber_u_mm: FloatArray = field(repr=False)
    middle_u_mm: float
    gain_shared_u: float
    aim: AimPrior
    toe_sign: int

    def __len__(self) -> int:
        return len(self.reason)

    def take(self, rows: ArrayLike) -> FootprintFits:
        """Pick some of the strikes, by number or by mask."""
        picked = np.asarray(rows)
        columns = {
            column.name: getattr(self, column.name)[picked]
            for column in fields(self)
            if isinstance(getattr(self, column.name), np.ndarray)
        }
        return replace(self, **columns)

    @property
    def ok(self) -> BoolArray:
        """Which strikes have a number."""
        return np.asarray(self.reason == Reason.OK)

    @property
    def ends_seen(self) -> list[str]:
        """For each strike ``both``, ``heel``, ``toe`` or ``none``; ``""`` where there is no number.

        An end is seen when the strip tells more about its place than the prior does.
        """
        names = {(1, 1): "both", (1, 0): "heel", (0, 1): "toe", (0, 0): "none"}
        return [
            names[int(heel > 0.5), int(toe > 0.5)] if good else ""
            for heel, toe, good in zip(self.heel_share, self.toe_share, self.ok, strict=True)
        ]

    @property
    def reasons(self) -> list[str]:
        """For each strike why there is no number; ``""`` where there is one."""
        return [Reason(int(code)).words for code in self.reason]
