"""What stands in one cell: numbers with units as people type them."""

from __future__ import annotations

import math
import re

from logger.setfiles.clubs import BiasUnit, HandName, HeadMaterial
from logger.setfiles.units import MM_PER_INCH, mm_from_inches

_SPELLINGS: dict[str, tuple[str, ...]] = {
    "mm": ("mm", "millimetre", "millimetres", "millimeter", "millimeters"),
    "cm": ("cm", "centimetre", "centimetres", "centimeter", "centimeters"),
    "m": ("m", "metre", "metres", "meter", "meters"),
    "in": ("in", "inch", "inches", '"', "″", "”", "''"),
    "yd": ("yd", "yds", "yard", "yards"),
    "deg": ("deg", "degs", "degree", "degrees", "°", "º"),
}
_UNITS = {spelling: unit for unit, spellings in _SPELLINGS.items() for spelling in spellings}
_MM_PER: dict[str, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH}
_METRES_PER_YARD = mm_from_inches(36.0) / 1000.0

# Greatest bias in each unit: whoever wants more wants another club (common practice, no source).
_BIAS_LIMITS: dict[BiasUnit, float] = {"mm": 30.0, "deg": 5.0, "m": 30.0}
# Word after a bias -> unit it goes with, sign.
_DIRECTIONS: dict[str, tuple[BiasUnit, int]] = {
    "toe": ("mm", 1),
    "heel": ("mm", -1),
    "upright": ("deg", 1),
    "flat": ("deg", -1),
    "right": ("m", 1),
    "left": ("m", -1),
}
_HANDS: dict[str, HandName] = {
    **dict.fromkeys(("right", "r", "rh", "right hand", "right handed", "right hander"), "right"),
    **dict.fromkeys(("left", "l", "lh", "left hand", "left handed", "left hander"), "left"),
}
# Common practice, no source; what a name does not settle is for the fitter to say.
_MATERIALS: dict[str, HeadMaterial] = {
    **dict.fromkeys(
        ("forged", "soft forged", "soft", "carbon steel", "soft carbon steel"), "forged"
    ),
    **dict.fromkeys(("cast", "cast stainless", "stainless", "stainless steel"), "cast"),
    **dict.fromkeys(("hard", "hardened", "17 4", "17 4 ph"), "hard"),
    **dict.fromkeys(("unknown", "not known"), "unknown"),
}
_BLANKS = frozenset({"", "-", "–", "—", "?", "n/a", "na"})
_FRACTIONS = {
    "½": " 1/2",
    "¼": " 1/4",
    "¾": " 3/4",
    "⅛": " 1/8",
    "⅜": " 3/8",
    "⅝": " 5/8",
    "⅞": " 7/8",
}
_NUMBER = re.compile(
    r"""^(?P<sign>[+-]?)\s*
    (?: (?P<whole>\d+)[ -]+(?P<over>\d+)/(?P<under>[1-9]\d*)
      | (?P<decimal>\d+(?:[.,]\d*)?|[.,]\d+) )
    \s*(?P<rest>.*)$""",
    re.VERBOSE | re.DOTALL,
)


# A number with its unit has a dozen characters; Python refuses to read thousands of digits.
_LONGEST_NUMBER = 60
_LONGEST_SHOWN = 60


class CellError(ValueError):
    """A cell that cannot be used; its text says why."""


def shown(value: object) -> str:
    """Show what a file has in a message: in quotes, without control characters, not too long."""
    try:
        text = repr(value)
    except (ValueError, RecursionError):
        # Python writes no number of more than 4300 digits, nor what is nested without end.
        return "what stands here"
    return text if len(text) <= _LONGEST_SHOWN else f"{text[: _LONGEST_SHOWN - 3]}..."


def is_blank(value: object) -> bool:
    """Whether a cell says nothing."""
    return isinstance(value, str) and value.strip().casefold() in _BLANKS


def unit_named(text: str) -> str | None:
    """Find the unit that a spelling stands for; None if it is not one."""
    text = text.strip().casefold()
    return _UNITS.get(text) or _UNITS.get(text.rstrip("."))


def _number_and_rest(value: object) -> tuple[float, str]:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise CellError(f"{shown(value)} is not a number")
    if not isinstance(value, str):
        # 64 bits, as TOML has them: beyond, float() may overflow.
        number, rest = float(value) if abs(value) < 2**63 else math.nan, ""
    else:
        text = " ".join(value.split()).replace("−", "-")
        if len(text) > _LONGEST_NUMBER:
            raise CellError(f"{shown(text)} is not a number")
        for sign, fraction in _FRACTIONS.items():
            text = text.replace(sign, fraction)
        found = _NUMBER.match(" ".join(text.split()))
        if found is None:
            raise CellError(f"{shown(value.strip())} is not a number")
        if found["decimal"] is not None:
            number = float(found["decimal"].replace(",", "."))
        else:
            number = int(found["whole"]) + int(found["over"]) / int(found["under"])
        if found["sign"] == "-":
            number = -number
        rest = found["rest"]
    if not math.isfinite(number):
        raise CellError(f"{shown(value)} is not a number")
    return number, rest


def _unit_of(rest: str, heading_unit: str | None, allowed: tuple[str, ...]) -> str | None:
    """Find the unit of a cell, its own before its heading's."""
    text = rest or heading_unit
    if text is None:
        return None
    unit = unit_named(text)
    if unit not in allowed:
        raise CellError(f"{shown(text)} is no unit for this: use {' or '.join(allowed)}")
    return unit


def length_mm(value: object, heading_unit: str | None, least: float, greatest: float) -> float:
    """Length in mm of a cell; it or its heading must name the unit."""
    number, rest = _number_and_rest(value)
    unit = _unit_of(rest, heading_unit, ("mm", "cm", "m", "in"))
    if unit is None:
        raise CellError(f"{number:g} has no unit: write mm or in, here or in the heading")
    mm = number * _MM_PER[unit]
    if not least <= mm <= greatest:
        raise CellError(
            f"{number:g} {unit} is not plausible: {least:g} to {greatest:g} mm is"
            f" ({least / MM_PER_INCH:.1f} to {greatest / MM_PER_INCH:.1f} in)"
        )
    return mm


def angle_deg(value: object, heading_unit: str | None, least: float, greatest: float) -> float:
    """Angle in degrees of a cell."""
    number, rest = _number_and_rest(value)
    _unit_of(rest, heading_unit, ("deg",))
    if not least <= number <= greatest:
        raise CellError(f"{number:g} deg is not plausible: {least:g} to {greatest:g} deg is")
    return number


def bias(value: object, heading_unit: str | None) -> tuple[float, BiasUnit]:
    """Wanted bias of a cell, signed as in `logger.setfiles.clubs.ClubSpec`, and its unit."""
    number, rest = _number_and_rest(value)
    before, _, last = rest.rpartition(" ")
    direction = _DIRECTIONS.get(last.casefold())
    if direction is not None:
        rest = before
    unit = _unit_of(rest.strip(), heading_unit, ("mm", "cm", "in", "deg", "m", "yd"))
    if unit is None:
        raise CellError(f"{number:g} has no unit: write mm, deg or m, here or in the heading")
    signed: tuple[float, BiasUnit]
    if unit in ("m", "yd"):
        signed = (number * _METRES_PER_YARD if unit == "yd" else number, "m")
    elif unit == "deg":
        signed = (number, "deg")
    else:
        signed = (number * _MM_PER[unit], "mm")
    size, base_unit = signed
    if direction is not None:
        if direction[0] != base_unit:
            raise CellError(f"{shown(last)} does not go with {unit}: write it with {direction[0]}")
        if number < 0:
            raise CellError(
                f"{number:g} with {shown(last)} says the direction twice: leave out the sign"
            )
        size *= direction[1]
    limit = _BIAS_LIMITS[base_unit]
    if abs(size) > limit:
        raise CellError(f"{number:g} {unit} is not plausible: at most {limit:g} {base_unit} is")
    return size, base_unit


def text(value: object, longest: int) -> str:
    """Text of a cell, spaces tidied."""
    if isinstance(value, bool) or not isinstance(value, str | int):
        raise CellError(f"{shown(value)} is not text")
    if isinstance(value, int) and abs(value) >= 2**63:
        raise CellError(f"{shown(value)} is too large a number")
    tidy = " ".join(str(value).split())
    if len(tidy) > longest:
        raise CellError(f"it is {len(tidy)} characters long: at most {longest} fit")
    if not tidy.isprintable():
        raise CellError("it has characters that cannot be shown")
    return tidy


def _word_of(value: object) -> str:
    return re.sub(r"[\W_]+", " ", text(value, 80)).strip().casefold()


def hand(value: object) -> HandName:
    """Hand of a cell."""
    found = _HANDS.get(_word_of(value))
    if found is None:
        raise CellError(f"{shown(value)} is no hand: write right or left")
    return found


def material(value: object) -> HeadMaterial:
    """Head material of a cell."""
    found = _MATERIALS.get(_word_of(value))
    if found is None:
        raise CellError(
            f"{shown(value)} is no head material known here: write forged, cast, hard or unknown"
        )
    return found
