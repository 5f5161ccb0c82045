"""What a longer or shorter club, or a new shaft, does to how upright it plays."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.set_model_types import LENGTH_STEP_MM

# Common practice, no source: half an inch is reckoned as one degree.
RULE_DEG_PER_MM = 1.0 / LENGTH_STEP_MM


@dataclass(frozen=True, slots=True)
class LengthEffect:
    """Effect of a change of length on the lie as played; positive = plays more upright."""

    lie_deg: float
    length_mm: float
    change_mm: float
    """Positive = longer."""
    plays_deg: float
    """Exact, hands at the same height: change of lie error."""
    u_deg: float
    """Standard uncertainty from lie, length and change."""
    linear_deg: float
    """First-order form ``tan(lie) * change / length``, for the bench."""
    rule_deg: float
    """By the trade's rule of half an inch to the degree."""
    bend_deg: float
    """Bend that would bring the sole back to how it lay before, positive = upright."""
    words: str


def length_effect(
    lie_deg: float,
    length_mm: float,
    change_mm: float,
    *,
    u_lie_deg: float = 0.25,
    u_length_mm: float = 1.5,
    u_change_mm: float = 1.0,
) -> LengthEffect:
    """Work out what a change of length does to the lie error, the hands staying at the same height.

    Parameters
    ----------
    lie_deg : float
        Static lie before, 40 to 80 degrees.
    length_mm : float
        Whole length of the club before, 600 to 1300 mm.
    change_mm : float
        Positive = longer; within 100 mm either way.
    u_lie_deg, u_length_mm, u_change_mm : float
        Standard uncertainties, >= 0 (defaults: common practice, no source).

    Returns
    -------
    LengthEffect

    Raises
    ------
    ValueError
        A number out of range, or a club so short that it no longer reaches the hands' height.

    Notes
    -----
    The end of the grip stays at ``h = L sin(lie)``, so the shaft comes to stand at
    ``asin(h / (L + dL))``: a longer club is held flatter, and its head, bent as before, plays more
    upright by the difference (our derivation; to first order ``tan(lie) dL / L``). Taken with the
    whole length of the club, as if held at the end of its grip.
    """
    if not 40 <= lie_deg <= 80 or not 600 <= length_mm <= 1300 or not abs(change_mm) <= 100:
        raise ValueError(
            "a lie of 40 to 80°, a length of 600 to 1300 mm and a change of 100 mm at most, please"
        )
    if min(u_lie_deg, u_length_mm, u_change_mm) < 0:
        raise ValueError("a standard uncertainty cannot be negative")
    lie = math.radians(lie_deg)
    reach = math.sin(lie) * length_mm / (length_mm + change_mm)
    if not reach < 1:
        raise ValueError("so short a club no longer reaches the height of the hands")
    held = math.asin(reach)
    plays = math.degrees(lie - held)
    # asin'(reach), with d reach / d(lie, L, dL).
    steep = 1 / math.cos(held)
    after = length_mm + change_mm
    by_lie = 1 - steep * math.cos(lie) * length_mm / after
    by_length = -steep * math.sin(lie) * change_mm / after**2
    by_change = steep * math.sin(lie) * length_mm / after**2
    u = math.hypot(
        by_lie * u_lie_deg,
        math.degrees(by_length) * u_length_mm,
        math.degrees(by_change) * (u_change_mm if change_mm else 0.0),
    )
    rule = change_mm * RULE_DEG_PER_MM
    return LengthEffect(
        lie_deg=lie_deg,
        length_mm=length_mm,
        change_mm=change_mm,
        plays_deg=plays,
        u_deg=u,
        linear_deg=math.degrees(math.tan(lie)) * change_mm / length_mm,
        rule_deg=rule,
        bend_deg=-plays + 0.0,
        words=_words(change_mm, plays, u, rule),
    )


def reshaft_effect(
    lie_deg: float,
    length_mm: float,
    new_length_mm: float,
    *,
    u_lie_deg: float = 0.25,
    u_length_mm: float = 1.5,
) -> LengthEffect:
    """Work out what a new shaft does to the lie as played, as far as its length does it.

    Parameters
    ----------
    lie_deg, length_mm : float
        Static lie, and whole length with the old shaft.
    new_length_mm : float
        Whole length with the new one.
    u_lie_deg, u_length_mm : float
        Standard uncertainties of the lie and of each length.

    Returns
    -------
    LengthEffect
        ``words`` say what geometry cannot know: how the new shaft bends in the swing.

    Raises
    ------
    ValueError
        As `length_effect`.
    """
    effect = length_effect(
        lie_deg,
        length_mm,
        new_length_mm - length_mm,
        u_lie_deg=u_lie_deg,
        u_length_mm=u_length_mm,
        u_change_mm=math.sqrt(2) * u_length_mm,
    )
    return LengthEffect(
        lie_deg=lie_deg,
        length_mm=length_mm,
        change_mm=effect.change_mm,
        plays_deg=effect.plays_deg,
        u_deg=effect.u_deg,
        linear_deg=effect.linear_deg,
        rule_deg=effect.rule_deg,
        bend_deg=effect.bend_deg,
        words=effect.words
        + " A different shaft also droops differently in the swing and may sit differently in the "
        "hosel: measure the static lie again and hit the club before bending it.",
    )


def _words(change_mm: float, plays: float, u: float, rule: float) -> str:
    if change_mm == 0:
        return "The same length: it plays as before."
    way = "longer" if change_mm > 0 else "shorter"
    plays_way = "upright" if plays > 0 else "flat"
    return (
        f"{abs(change_mm):.1f} mm {way}: plays {abs(plays):.2f} ± {u:.2f}° more {plays_way} if the "
        f"hands stay at the same height (geometry, standard uncertainty); the trade's rule of half "
        f"an inch to the degree says {abs(rule):.2f}° (common practice)."
    )
