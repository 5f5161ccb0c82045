"""Board against marks: the same swings read both ways, to settle what the board alone cannot.

A strip alone often sees where the sole touched but not where its middle passed (the player's
delivery offset), so the level of all clubs together is open while their differences are good. A few
swings with a marker line on the sole, read in mm from the middle of the score lines, settle it.

Agreement: Bland and Altman, Lancet 1986; i: 307-310.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.answers import NoAnswerError
from analysis.conventions import FloatArray
from analysis.statistics.budget import coverage_factor
from analysis.statistics.lines import Line, deming_line, york_line

FEWEST_PAIRS = 3
# How well a mark is read against the middle of the score lines, the same way every time: half a
# millimetre (common practice, no source).
DEFAULT_U_MARK_COMMON_MM = 0.5
# Hampel's rule: this many scaled median deviations from the median is another swing's mark.
_ODD = 3.5


@dataclass(frozen=True, slots=True)
class Agreement:
    """How far two ways of measuring the same things differ.

    Attributes
    ----------
    n : int
        Pairs.
    bias, u_bias : float
        Mean of first minus second, and its standard uncertainty.
    bias_interval : (float, float)
        Interval of the bias at `level`.
    sd : float
        Standard deviation of the differences.
    limits : (float, float)
        Limits of agreement, ``bias -+ multiplier * sd``.
    u_limit : float
        Standard uncertainty of each limit, ``sqrt(3 sd^2 / n)``.
    lower_interval, upper_interval : (float, float)
        Intervals of the two limits at `level`.
    level : float
        Coverage probability of the intervals.
    odd_pairs : tuple of int
        Index of pairs far from all others (Hampel's rule, 3.5): likely not the same swing. They are
        in the figures; take them out or measure again.
    """

    n: int
    bias: float
    u_bias: float
    bias_interval: tuple[float, float]
    sd: float
    limits: tuple[float, float]
    u_limit: float
    lower_interval: tuple[float, float]
    upper_interval: tuple[float, float]
    level: float
    odd_pairs: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class SessionLevel:
    """What to take off every board reading of the session.

    Attributes
    ----------
    offset_mm : float
        Board minus mark, mm, positive = the board reads too far toward the toe.
    u_mm : float
        Standard uncertainty, mark reading included.
    dof : float
        Degrees of freedom of `u_mm` (Welch-Satterthwaite).
    n : int
        Pairs.
    odd_pairs : tuple of int
        As in `Agreement`.
    """

    offset_mm: float
    u_mm: float
    dof: float
    n: int
    odd_pairs: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class AuditLine:
    """Board against mark as a line with errors in both axes, ``board = intercept + slope * mark``.

    Attributes
    ----------
    line : lines.Line
        The fit.
    scale_agrees : bool
        The interval of the slope holds 1.
    words : str
        One sentence for a person.
    """

    line: Line
    scale_agrees: bool
    words: str


def _pairs(first: ArrayLike, second: ArrayLike, fewest: int) -> tuple[FloatArray, FloatArray]:
    a = np.asarray(first, dtype=np.float64)
    b = np.asarray(second, dtype=np.float64)
    if a.ndim != 1 or a.shape != b.shape:
        raise ValueError("pairs need two lists of the same length")
    if not (np.all(np.isfinite(a)) and np.all(np.isfinite(b))):
        raise ValueError("pairs need finite numbers: leave out swings with one of the two missing")
    if a.size < fewest:
        raise NoAnswerError(
            f"{a.size} pairs of board and mark, {fewest} are needed: audit more swings"
        )
    return a, b


def _odd(difference: FloatArray) -> tuple[int, ...]:
    middle = float(np.median(difference))
    spread = 1.4826 * float(np.median(np.abs(difference - middle)))
    if spread == 0:
        return ()
    return tuple(int(i) for i in np.flatnonzero(np.abs(difference - middle) > _ODD * spread))


def agreement(
    first: ArrayLike, second: ArrayLike, *, multiplier: float = 1.96, level: float = 0.95
) -> Agreement:
    """Bias and limits of agreement of two methods (Bland and Altman 1986).

    Parameters
    ----------
    first, second : array_like
        Shape (n,), n >= 3, the same things in the same unit. With board and mark: mm on the sole.
    multiplier : float
        Limits are this many standard deviations either way; 1.96 holds 95 % of normal differences
        (the 1986 paper rounds to 2).
    level : float
        Coverage probability of the intervals (Student's t, n - 1).

    Returns
    -------
    Agreement

    Raises
    ------
    NoAnswerError
        Fewer than 3 pairs.
    ValueError
        Lengths differ or numbers not finite.
    """
    a, b = _pairs(first, second, FEWEST_PAIRS)
    difference = a - b
    n = int(difference.size)
    bias = float(difference.mean())
    sd = float(difference.std(ddof=1))
    t = coverage_factor(n - 1, level)
    u_bias = sd / math.sqrt(n)
    u_limit = math.sqrt(3.0 * sd**2 / n)
    lower, upper = bias - multiplier * sd, bias + multiplier * sd
    return Agreement(
        n=n,
        bias=bias,
        u_bias=u_bias,
        bias_interval=(bias - t * u_bias, bias + t * u_bias),
        sd=sd,
        limits=(lower, upper),
        u_limit=u_limit,
        lower_interval=(lower - t * u_limit, lower + t * u_limit),
        upper_interval=(upper - t * u_limit, upper + t * u_limit),
        level=level,
        odd_pairs=_odd(difference),
    )


def check_marks(
    mark_toe_mm: ArrayLike, *, sole_length_mm: float, tolerance_mm: float = 2.0
) -> None:
    """Refuse marks that cannot be on the sole.

    Parameters
    ----------
    mark_toe_mm : array_like
        Shape (n,). Marks from the middle of the sole, mm, positive toward the toe.
    sole_length_mm : float
        Heel to toe, mm, > 0.
    tolerance_mm : float
        A mark that wraps around the end of the sole may read this much longer.

    Raises
    ------
    NoAnswerError
        A mark lies outside; the message names it and guesses why.
    ValueError
        `sole_length_mm` not positive.
    """
    if not sole_length_mm > 0:
        raise ValueError("the sole's length must be positive, in mm")
    marks = np.asarray(mark_toe_mm, dtype=np.float64)
    end = sole_length_mm / 2.0
    outside = np.flatnonzero(np.abs(marks) > end + tolerance_mm)
    if outside.size == 0:
        return
    first = int(outside[0])
    measured_from_heel = bool(np.all((marks >= 0) & (marks <= sole_length_mm + tolerance_mm)))
    hint = (
        "it looks as if it was measured from the heel: measure from the middle of the score lines"
        if measured_from_heel
        else "measure from the middle of the score lines, in mm, toward the toe positive"
    )
    raise NoAnswerError(
        f"mark {first + 1} is {marks[first]:+.1f} mm from the middle, but the sole ends at "
        f"{end:.1f} mm: {hint}"
    )


def level_from_marks(
    board_toe_mm: ArrayLike,
    mark_toe_mm: ArrayLike,
    *,
    sole_length_mm: float,
    u_mark_common_mm: float = DEFAULT_U_MARK_COMMON_MM,
) -> SessionLevel:
    """Level of a session: the mean of board minus mark over audited swings.

    Parameters
    ----------
    board_toe_mm : array_like
        Shape (n,), n >= 3. Contact as the board places it on the sole, mm, positive toward the toe,
        before any level was taken off. Different clubs may be mixed: the delivery offset is common.
    mark_toe_mm : array_like
        Shape (n,). The mark of the same swing, same frame.
    sole_length_mm : float
        Length of the longest sole among them, mm.
    u_mark_common_mm : float
        How far all marks may be read wrong alike (where the middle is); it does not average out.

    Returns
    -------
    SessionLevel
        Take ``offset_mm`` off every board contact of the session; hand ``u_mm`` and ``dof`` to
        `budget.lie_contributions`.

    Raises
    ------
    NoAnswerError
        Fewer than 3 pairs, or a mark outside the sole.
    ValueError
        Lengths differ, numbers not finite, a negative uncertainty.
    """
    board, mark = _pairs(board_toe_mm, mark_toe_mm, FEWEST_PAIRS)
    if not u_mark_common_mm >= 0:
        raise ValueError("u_mark_common_mm must not be negative")
    check_marks(mark, sole_length_mm=sole_length_mm)
    difference = board - mark
    n = int(difference.size)
    random = float(difference.std(ddof=1)) / math.sqrt(n)
    u = math.hypot(random, u_mark_common_mm)
    dof = math.inf if random == 0 else (n - 1) * (u / random) ** 4
    return SessionLevel(float(difference.mean()), u, dof, n, _odd(difference))


def audit_line(
    board_toe_mm: ArrayLike,
    mark_toe_mm: ArrayLike,
    *,
    u_board_mm: ArrayLike | None = None,
    u_mark_mm: ArrayLike | None = None,
    level: float = 0.95,
) -> AuditLine:
    """Compare scales: is a millimetre on the board a millimetre on the sole.

    Parameters
    ----------
    board_toe_mm, mark_toe_mm : array_like
        Shape (n,), n >= 3, same frame, mm.
    u_board_mm, u_mark_mm : array_like, optional
        Standard uncertainty of each board contact and each mark, scalar or shape (n,). With both,
        York's line is fitted (widened where the points scatter more than that); with neither, a
        line of orthogonal distances whose uncertainty comes from the scatter.
    level : float
        Coverage probability for saying that the scales differ.

    Returns
    -------
    AuditLine

    Raises
    ------
    NoAnswerError
        Fewer than 3 pairs, no spread in the marks, no direction.
    ValueError
        Only one of the two uncertainties given, lengths differ, numbers not finite.
    """
    board, mark = _pairs(board_toe_mm, mark_toe_mm, FEWEST_PAIRS)
    if (u_board_mm is None) != (u_mark_mm is None):
        raise ValueError("give the uncertainty of both board and marks, or of neither")
    if u_board_mm is None or u_mark_mm is None:
        line = deming_line(mark, board)
    else:
        line = york_line(mark, board, u_mark_mm, u_board_mm)
        line = line.widened(max(1.0, math.sqrt(line.chi2 / line.dof)))
    half = coverage_factor(line.dof, level) * line.u_slope
    agrees = abs(line.slope - 1.0) <= half
    if half > 0.5:
        words = (
            f"The marks lie too close together to compare scales (slope {line.slope:.2f} give or "
            f"take {half:.2f}): include swings from the toe and from the heel."
        )
    elif agrees:
        words = f"Board and marks have the same scale (slope {line.slope:.3f} +- {half:.3f})."
    else:
        more = "more" if line.slope > 1 else "less"
        words = (
            f"The board shows {more} than the marks (slope {line.slope:.3f} +- {half:.3f}): check "
            "the pitch of the cells, calibrate the cells again, and check that a mark is read at "
            "its middle."
        )
    return AuditLine(line, agrees, words)
