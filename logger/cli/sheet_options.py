"""Options of ``lieboard sheet`` that name clubs: ``6i=1f`` for one, ``1`` for every club."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

UPRIGHT_FLAT = {"u": 1, "f": -1}
WEAK_STRONG = {"w": 1, "s": -1}


def degrees_by_club(
    option: str, given: Sequence[str] | None, sides: Mapping[str, int] | None = None
) -> dict[str, float]:
    """Read ``CLUB=DEGREES`` or ``DEGREES`` alone, which stands for every club (label "").

    Parameters
    ----------
    option
        As a person types it, for the message.
    given
        What was typed behind it, each time it was given.
    sides
        Letters that may follow the number instead of a sign; None = no sign makes sense.

    Raises
    ------
    UsageError
        One line that names the option and the text.
    """
    from logger.errors import UsageError

    found: dict[str, float] = {}
    for text in given or ():
        label, _, number = text.rpartition("=")
        label = label.strip()
        if label.casefold() in {known.casefold() for known in found}:
            raise UsageError(f"{option} says two things of {label or 'every club'}")
        found[label] = _degrees(option, text, number, sides)
    return found


def bends_by_club(option: str, given: Sequence[str] | None) -> dict[str, float | None]:
    """Read ``CLUB=DEGREES``, or ``CLUB`` alone for as far as is best (None)."""
    from logger.errors import UsageError

    plain = [text.strip() for text in given or () if "=" not in text]
    found: dict[str, float | None] = dict.fromkeys(plain)
    for text in given or ():
        if "=" in text:
            label = text.rpartition("=")[0].strip()
            if label.casefold() in {known.casefold() for known in found}:
                raise UsageError(f"{option} says two things of {label}")
            found |= degrees_by_club(option, [text], UPRIGHT_FLAT)
    if "" in found:
        raise UsageError(f"{option} needs a club, such as {option} 6i or {option} 6i=1f")
    return found


def _degrees(option: str, text: str, number: str, sides: Mapping[str, int] | None) -> float:
    from logger.errors import UsageError

    number = number.strip().lower().replace(",", ".").removesuffix("°")
    sign = 1
    if sides and number[-1:] in sides:
        sign = sides[number[-1]]
        number = number[:-1]
    how = "degrees" if not sides else f"degrees with {' or '.join(sides)} behind, or with a sign"
    try:
        value = float(number)
    except ValueError:
        raise UsageError(f"{option} {text!r}: write CLUB=NUMBER in {how}") from None
    signed = number.lstrip().startswith(("+", "-"))
    if not math.isfinite(value) or (signed and (sign < 0 or not sides)) or abs(value) > 10:
        raise UsageError(f"{option} {text!r}: write CLUB=NUMBER, up to 10, in {how}")
    return sign * value
