"""What goes into the model of a whole set and what comes out of it, as plain values."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.conventions import FloatArray
from analysis.lie.belief import Belief
from analysis.lie.club import SoleArc
from analysis.statistics.contact_mean import RESOLUTION_MM
from analysis.statistics.estimation import STRAY_SHARE, STRAY_WIDTH, Interval

IntArray = NDArray[np.intp]

# Half an inch: the step in length that lie is graded over (common practice).
LENGTH_STEP_MM = 12.7

# Where fewer clubs than this share a line, none can be said to stand off it: two points always lie
# on one, and of three it cannot be told which of them is the odd one.
FEWEST_FOR_OUTLIER = 4


@dataclass(frozen=True, slots=True)
class SetClub:
    """One club of the set; None = not known."""

    label: str
    length_mm: float | None = None
    """Without it the club is placed between its neighbours in the order given."""
    family: str = "iron"
    """Clubs that share one line. Give wedges, or any clubs whose sole or lies change family, a name
    of their own: they get a step and a slope of their own, which lean on the line of the first."""
    sole: SoleArc = field(default_factory=SoleArc)
    hands_mm: float | None = None
    """From the sole to the hands; None = taken from the length."""
    lie_deg: float | None = None
    """Static lie; it only enters the effect of the stance's height here."""

    def __post_init__(self) -> None:
        for name in ("length_mm", "hands_mm", "lie_deg"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise ValueError(f"{self.label}: {name} must be positive, or None if not known")
        if not self.sole.camber_mm > 0 or not self.sole.u_camber_mm >= 0:
            raise ValueError(
                f"{self.label}: the sole's radius must be positive, its u not negative"
            )


@dataclass(frozen=True)
class SetStrikes:
    """All strikes of a session, arrays over strikes in the order they were hit."""

    club: IntArray
    """(n,): place of the strike's club in the sequence of clubs."""
    toe_mm: FloatArray
    """(n,): contact as read, positive toward the toe; NaN = set aside."""
    u_mm: FloatArray
    """(n,): each strike's own standard uncertainty, without what the common offset adds."""
    per_offset: FloatArray
    """(n,): how many mm the reading moves per mm that the middle of the sole passed farther toward
    the toe than was taken: 1 for a strip that saw the lowest point only, 0 for a mark."""
    swing: FloatArray
    """(n,): number of the swing in the session, all clubs counted, from 0."""

    @classmethod
    def of(
        cls,
        club: ArrayLike,
        toe_mm: ArrayLike,
        *,
        u_mm: ArrayLike | None = None,
        offset_cov_mm2: ArrayLike | None = None,
        u_level_mm: float = 0.0,
        per_offset: ArrayLike = 1.0,
        swing: ArrayLike | None = None,
    ) -> SetStrikes:
        """Strikes from plain lists.

        Parameters
        ----------
        club : array_like of int, (n,)
            Place of each strike's club in the sequence of clubs.
        toe_mm : array_like, (n,)
            Contacts; NaN is set aside.
        u_mm : array_like, optional
            Standard uncertainty of each, mm, everything included; one number or n. Left out: the
            usual resolution of a reading.
        offset_cov_mm2 : array_like, optional
            Covariance of each strike's toe_mm with the common delivery offset in the footprint's
            posterior, mm^2 (`FootprintFits`); needs ``u_level_mm``, the standard uncertainty of
            the offset it was worked out with. It replaces ``per_offset``.
        per_offset : array_like
            See the attribute; one number or n.
        swing : array_like, optional
            Number of each swing; left out: the order of the strikes.

        Raises
        ------
        ValueError
            Lengths differ, a number is negative that cannot be, or a covariance is greater than the
            uncertainties allow.
        """
        number = np.asarray(club, dtype=np.intp).reshape(-1)
        n = number.size
        toe = _full(toe_mm, n, "toe_mm")
        usual = RESOLUTION_MM / math.sqrt(12)
        own = np.full(n, usual) if u_mm is None else _full(u_mm, n, "u_mm")
        if np.any(~(own[np.isfinite(toe)] >= 0)):
            raise ValueError("u_mm must not be negative")
        loading = _full(per_offset, n, "per_offset")
        if offset_cov_mm2 is not None:
            if not u_level_mm > 0:
                raise ValueError("offset_cov_mm2 needs the u_level_mm it was worked out with")
            cov = _full(offset_cov_mm2, n, "offset_cov_mm2")
            # The true contact moves by cov / var per mm of offset, the reading the other way.
            loading = -cov / u_level_mm**2
            left = own**2 - (cov / u_level_mm) ** 2
            if np.any(left < -1e-6 * own**2):
                raise ValueError("a strike's covariance with the offset exceeds its u_mm")
            own = np.sqrt(np.maximum(left, 0.0))
        order = np.arange(n, dtype=np.float64) if swing is None else _full(swing, n, "swing")
        return cls(number, toe, own, loading, order)


def _full(values: ArrayLike, n: int, name: str) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim > 1 or (array.ndim == 1 and array.size != n):
        raise ValueError(f"{name} needs one number, or one for each of the {n} strikes")
    return np.broadcast_to(array, (n,)).copy()


@dataclass(frozen=True, slots=True)
class SetPrior:
    """What is taken for granted before the first swing. Common practice where no source is named.

    tests/benchmarks/set_model.py prints what halving and doubling the three that matter
    (``own_scale_deg``, ``outlier_share``, ``outlier_deg``) does to error and coverage.
    """

    level_deg: float = 10.0
    """Standard deviation of the set's level: any player."""
    slope_deg: float = 0.6
    """Of the slope per half inch of length. Sets are graded by half a degree to one where the
    geometry asks 1.2 to 1.6 (references: d(lie) = -tan(lie) dLn / Ln), so they may be off by it."""
    family_step_deg: float = 1.0
    """Of the step between the lines of two families."""
    family_slope_deg: float = 0.3
    """Of the difference of their slopes per half inch."""
    own_scale_deg: float = 0.3
    """Scale of the half-Cauchy on the clubs' own standard deviation (Gelman, Bayesian Analysis 1
    (2006) 515-534, for few groups)."""
    outlier_share: float = 0.06
    """Share of clubs that stand off the line for a reason of their own (bent, knocked, odd)."""
    outlier_deg: float = 2.0
    """How far those stand off: standard deviation."""
    drift_deg: float = 0.4
    """Of the drift over `drift_swings` swings, as the player tires."""
    drift_swings: float = 50.0
    scatter_deg: float = 0.9
    """Median of the log-normal on the scatter of single swings."""
    scatter_log_sd: float = 0.7
    stray_share: float = STRAY_SHARE
    """Of mishits: model and numbers of `analysis.statistics.estimation`."""
    stray_width: float = STRAY_WIDTH

    def __post_init__(self) -> None:
        line = (self.level_deg, self.slope_deg, self.family_step_deg, self.family_slope_deg)
        scales = (*line, self.own_scale_deg, self.outlier_deg, self.drift_swings, self.scatter_deg)
        if not all(value > 0 for value in (*scales, self.scatter_log_sd, self.stray_width)):
            raise ValueError("the scales of the prior must be positive")
        if not (0 <= self.outlier_share < 0.5 and 0 <= self.stray_share < 0.5):
            raise ValueError("shares of outliers and strays must lie in 0 .. 0.5")
        if not self.drift_deg >= 0:
            raise ValueError("drift_deg cannot be negative")


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its doubt."""

    value: float
    u: float
    interval: Interval


@dataclass(frozen=True)
class SetPosterior:
    """All clubs of a session together; arrays over clubs in the order given."""

    labels: tuple[str, ...]
    strikes: IntArray
    """(n_clubs,): how many strikes of each counted."""
    lie: Belief
    """Lie error of each club, degrees, positive = too upright, everything doubtful included."""
    own: Belief
    """How far each club stands off the set's line, degrees: good even where the level is not."""
    p_outlier: FloatArray
    """(n_clubs,): probability that the club stands off the line for a reason of its own. NaN where
    fewer than `FEWEST_FOR_OUTLIER` clubs with strikes share its line."""
    low_deg: FloatArray
    high_deg: FloatArray
    """(n_clubs,): central interval of the lie error."""
    confidence: float
    level: Estimate
    """Lie error of the line of the first family at the pivot's length."""
    slope: Estimate
    """Change of the lie error per half inch of length; negative = long clubs too flat."""
    drift: Estimate
    """Change of the lie error over `SetPrior.drift_swings` swings."""
    scatter: Estimate
    """Standard deviation of single swings, mishits left out, degrees."""
    own_sd: Estimate
    """Standard deviation of the clubs about the line, outliers left out, degrees."""
    offset_mm: Estimate
    """How far the sole's middle passed beyond where it was taken to pass, toward the toe."""
    p_stray: FloatArray
    """(n,): of each strike, to be a mishit; NaN for those set aside."""
    shown_cov: FloatArray
    """(n_clubs, n_clubs): covariance of club i's lie error with what a new strike of club j would
    show; what the board cannot tell from lie is in the strike and not in this. For
    `analysis.plan.next_club`."""
    shown_var: FloatArray
    """(n_clubs,): variance of what a new strike of club j would show, scatter left out."""
    new_u_deg: FloatArray
    """(n_clubs,): standard deviation of one new strike about that, own uncertainty included."""
    notes: tuple[str, ...]
    """What was missing or could not be told, one plain sentence each."""

    @property
    def mean_deg(self) -> FloatArray:
        """(n_clubs,): mean lie error."""
        return self.lie.mean

    @property
    def covariance_deg2(self) -> FloatArray:
        """(n_clubs, n_clubs): of the lie errors."""
        return self.lie.covariance

    def outliers(self, probability: float = 0.5) -> tuple[str, ...]:
        """Labels of the clubs that stand off the line with at least this probability."""
        found = np.flatnonzero(np.nan_to_num(self.p_outlier) >= probability)
        return tuple(self.labels[i] for i in found)
