"""What goes into the model of a whole set and what comes out of it, as plain values."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray
from analysis.lie.belief import Belief
from analysis.statistics.estimation import Interval

IntArray = NDArray[np.intp]

# Half an inch: the step in length that lie is graded over (common practice).
LENGTH_STEP_MM = 12.7

# Where fewer clubs than this share a line, none can be said to stand off it: two points always lie
# on one, and of three it cannot be told which of them is the odd one.
FEWEST_FOR_OUTLIER = 4


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
    """Change of the lie error over the session; not looked for, 0."""
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
