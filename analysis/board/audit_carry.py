"""What an audit of one session says of the level of another.

An audit (`analysis.board.audit`) finds by how much the board reads past the marks: how far the
sole's middle passed from where it was taken to pass. That is the sum of three things, and only some
of them are still there the next time:

- how the strip lies under its address mark: the board's, the same for every player until it is
  moved; it has a sign on the board, so a left-hander sees it the other way round,
- the player's habit of delivering the club toward heel or toe of where it was addressed: the
  player's, on any board,
- the day's: what that habit does from one session to the next; it belongs to its session and is
  not carried over.

All are normal, so what is carried is plain conditioning of normals (our definition of the model).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.board.audit import DEFAULT_U_MARK_COMMON_MM, agreement
from analysis.conventions import FloatArray

# The level is called known when its doubt is at most half of what the address mark leaves: the
# share of information is 1 - 1 / 4.
_CLAIM_SHARE = 0.75
# Grid of the day's scatter, in standard deviations of its logarithm.
_DAY_STEPS = np.linspace(-2.0, 2.0, 9)


@dataclass(frozen=True, slots=True)
class CarryPrior:
    """What is taken for granted of the three parts. Common practice, no source."""

    mounting_u_mm: float = 2.0
    """How well a strip lies under its address mark."""
    day_mm: float = 1.5
    """Median of the log-normal on the scatter of a player's mean delivery from day to day; a
    quarter of a degree on a usual sole (`analysis.plan.learning.U_DAY_DEG`)."""
    day_log_sd: float = 0.5
    """Several audits of one player say how great it is for this one."""
    swing_mm: float = 4.0
    """Scatter of board minus mark from swing to swing, with the weight of `swing_dof` swings: few
    pairs that happen to agree are no proof of a steady delivery."""
    swing_dof: float = 4.0

    def __post_init__(self) -> None:
        if not (min(self.mounting_u_mm, self.day_log_sd) >= 0 and self.swing_dof > 2):
            raise ValueError("uncertainties cannot be negative, swing_dof must be over 2")
        if not min(self.day_mm, self.swing_mm) > 0:
            raise ValueError("day_mm and swing_mm must be positive")


@dataclass(frozen=True, slots=True)
class Circumstance:
    """Whose swings on which board."""

    board: Hashable
    """Another one when the strip was moved under its mark."""
    player: Hashable
    session: Hashable
    toe_sign: int
    """+1 if the toe points to positive board_mm, as `analysis.conventions.Hand.toe_sign`."""


@dataclass(frozen=True, slots=True)
class Audited:
    """One audit: the mean of board minus mark and its own variance."""

    at: Circumstance
    offset_mm: float
    """Positive = the board reads too far toward the toe."""
    variance_mm2: float
    n: int

    @classmethod
    def of(
        cls,
        at: Circumstance,
        board_toe_mm: ArrayLike,
        mark_toe_mm: ArrayLike,
        prior: CarryPrior | None = None,
    ) -> Audited:
        """Sum up the pairs of one audit.

        Parameters
        ----------
        at : Circumstance
            Of these swings.
        board_toe_mm, mark_toe_mm : array_like
            Shape (n,), n >= 3: lowest point as the board places it on the sole, and the mark of the
            same swing. Pairs far from all others (`Agreement.odd_pairs`) are left out.
        prior : CarryPrior, optional
            Gives the swings' scatter a start.

        Raises
        ------
        NoAnswerError
            Fewer than 3 pairs.
        ValueError
            Lengths differ or numbers not finite.
        """
        prior = prior or CarryPrior()
        odd = agreement(board_toe_mm, mark_toe_mm).odd_pairs
        difference = np.asarray(board_toe_mm, np.float64) - np.asarray(mark_toe_mm, np.float64)
        kept = np.delete(difference, odd)
        n = int(kept.size)
        dof = prior.swing_dof + n - 1
        square = prior.swing_dof * prior.swing_mm**2 + float(((kept - kept.mean()) ** 2).sum())
        # Variance of Student's t with these degrees of freedom.
        variance = square / dof / n * dof / (dof - 2)
        return cls(at, float(kept.mean()), variance, n)


@dataclass(frozen=True, slots=True)
class CarriedLevel:
    """Where the sole's middle can be expected to pass in a session without marks."""

    offset_mm: float
    """To take off every contact of the board, positive = it reads too far toward the toe."""
    u_mm: float
    share: float
    """Of the information, what did not come from the address mark; 0 = nothing is carried."""
    day_mm: float
    """Scatter from day to day as the audits leave it."""

    @property
    def settles_level(self) -> bool:
        """Whether absolute numbers may rest on it, and not only gaps between clubs."""
        return self.share >= _CLAIM_SHARE


def carried_level(
    audits: Sequence[Audited],
    to: Circumstance,
    *,
    u_address_mm: float,
    u_mark_common_mm: float = DEFAULT_U_MARK_COMMON_MM,
    prior: CarryPrior | None = None,
) -> CarriedLevel:
    """Carry audits over to a session.

    Parameters
    ----------
    audits : sequence of Audited
        Of any boards, players and sessions; may be empty.
    to : Circumstance
        The session asked about. Its own audit, if there is one, holds in full.
    u_address_mm : float
        Standard uncertainty of where the sole's middle passes by the address mark alone, >= 0. The
        habit's share of it is what mounting and day leave.
    u_mark_common_mm : float
        How far all marks may be read wrong alike, in every audit the same way.
    prior : CarryPrior, optional
        Of the three parts.

    Returns
    -------
    CarriedLevel
        Without audits 0 and ``u_address_mm``.

    Raises
    ------
    ValueError
        A negative uncertainty.
    """
    prior = prior or CarryPrior()
    if not (u_address_mm >= 0 and u_mark_common_mm >= 0):
        raise ValueError("uncertainties cannot be negative")
    if not audits or u_address_mm == 0:
        return CarriedLevel(0.0, u_address_mm, 0.0, prior.day_mm)
    seen = np.array([one.offset_mm for one in audits])
    own = np.diag([one.variance_mm2 for one in audits]) + u_mark_common_mm**2
    everybody = [one.at for one in audits]
    mean, variance, log_weight, days = [], [], [], []
    for z in _DAY_STEPS:
        parts = _parts(prior, prior.day_mm * math.exp(prior.day_log_sd * z), u_address_mm)
        among = _covariance(everybody, everybody, parts) + own
        toward = _covariance([to], everybody, parts)[0]
        gain = np.linalg.solve(among, toward)
        mean.append(float(gain @ seen))
        variance.append(u_address_mm**2 - float(gain @ toward))
        misfit = float(seen @ np.linalg.solve(among, seen))
        log_weight.append(-0.5 * (z * z + misfit + np.linalg.slogdet(among)[1]))
        days.append(math.sqrt(parts[2]))
    weight = np.exp(np.array(log_weight) - max(log_weight))
    weight /= weight.sum()
    middle = float(weight @ mean)
    total = float(weight @ (np.array(variance) + (np.array(mean) - middle) ** 2))
    share = min(max(1.0 - total / u_address_mm**2, 0.0), 1.0)
    return CarriedLevel(middle, math.sqrt(max(total, 0.0)), share, float(weight @ days))


def _parts(prior: CarryPrior, day_mm: float, u_address_mm: float) -> tuple[float, float, float]:
    """Variances of mounting, habit and day, which make up that of the address mark."""
    mounting, day, total = prior.mounting_u_mm**2, day_mm**2, u_address_mm**2
    # Whoever says that the address is known better than these two says that they are smaller.
    scale = min(1.0, total / (mounting + day))
    return mounting * scale, max(total - (mounting + day) * scale, 0.0), day * scale


def _covariance(
    some: Sequence[Circumstance], others: Sequence[Circumstance], parts: tuple[float, float, float]
) -> FloatArray:
    mounting, habit, day = parts
    return np.array(
        [
            [
                mounting * one.toe_sign * other.toe_sign * (one.board == other.board)
                + habit * (one.player == other.player)
                + day * (one.session == other.session)
                for other in others
            ]
            for one in some
        ],
        dtype=np.float64,
    )
