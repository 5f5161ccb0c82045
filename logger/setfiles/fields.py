"""What a heading of a spreadsheet, or a key of a TOML file, means.

Headings are compared without case, spaces and punctuation; a unit may stand in brackets or at the
end: ``Length (in)``, ``LIE °``, ``sole_length_mm``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum

from logger.setfiles.cells import unit_named


class FieldKind(Enum):
    """What stands in a cell."""

    TEXT = "text"
    LENGTH = "length"
    ANGLE = "angle"
    BIAS = "bias"
    MATERIAL = "material"
    HAND = "hand"


@dataclass(frozen=True, slots=True)
class Field:
    """One thing that a set file can say."""

    name: str
    """As in `logger.setfiles.clubs.ClubSpec` or `logger.setfiles.clubs.SetFile`."""
    kind: FieldKind
    synonyms: tuple[str, ...]
    """Lower-case letters and digits only."""
    least: float = 0.0
    """In mm or degrees."""
    greatest: float = 0.0


# Ranges: wide enough for juniors' clubs and odd ones, there to catch a slip of the finger or a
# wrong unit (common practice, no source).
CLUB_FIELDS: tuple[Field, ...] = (
    Field(
        "label", FieldKind.TEXT, ("club", "clubs", "iron", "label", "clublabel", "clubname", "no")
    ),
    Field("length_mm", FieldKind.LENGTH, ("length", "clublength", "overalllength"), 600, 1250),
    Field("lie_deg", FieldKind.ANGLE, ("lie", "lieangle", "staticlie"), 50, 80),
    Field("loft_deg", FieldKind.ANGLE, ("loft", "loftangle", "staticloft"), 10, 75),
    Field("bounce_deg", FieldKind.ANGLE, ("bounce", "bounceangle"), -5, 30),
    Field("camber_mm", FieldKind.LENGTH, ("camber", "camberradius", "soleradius"), 100, 1000),
    Field("camber_u_mm", FieldKind.LENGTH, ("camberu", "camberuncertainty", "ucamber"), 0.1, 300),
    Field("sole_length_mm", FieldKind.LENGTH, ("solelength", "sole"), 40, 120),
    Field("head_material", FieldKind.MATERIAL, ("headmaterial", "material", "head")),
    Field("bias", FieldKind.BIAS, ("bias", "wantedbias", "favour", "favor")),
)
SET_FIELDS: tuple[Field, ...] = (
    Field("player", FieldKind.TEXT, ("player", "playername", "golfer")),
    Field("hand", FieldKind.HAND, ("hand", "handed", "handedness", "plays")),
    Field("name", FieldKind.TEXT, ("set", "setname")),
    Field("pivot_label", FieldKind.TEXT, ("pivot", "pivotclub")),
    Field(
        "machine_increment_deg",
        FieldKind.ANGLE,
        ("machineincrement", "machinestep", "increment"),
        0.05,
        2,
    ),
)
_BY_SYNONYM = {word: field for field in (*CLUB_FIELDS, *SET_FIELDS) for word in field.synonyms}

_BRACKETS = re.compile(r"^(?P<base>.*?)\s*[(\[](?P<unit>[^()\[\]]*)[)\]]\s*$", re.DOTALL)
# A unit at the end: a word of its own, or a sign that may touch the word before it.
_TAIL = re.compile(r"^(?P<base>.*?)(?:[\s_.,/-]+(?P<word>[^\W_]+\.?)|\s*(?P<sign>[°º\"″”]|''))\s*$")
# Longer than any heading that means something; the patterns above are slow on very long ones.
_LONGEST_HEADING = 60
_NOT_A_LETTER = re.compile(r"[\W_]+")


@dataclass(frozen=True, slots=True)
class Heading:
    """What one heading means."""

    text: str
    """As the file has it, but for characters that cannot be shown."""
    field: Field | None
    """None: nothing to this program."""
    unit: str | None = None
    """As the file has it; may be unknown."""


def _field_named(text: str) -> Field | None:
    plain = text.replace("±", " u ").casefold()
    return _BY_SYNONYM.get(_NOT_A_LETTER.sub("", plain))


def understand(text: str) -> Heading:
    """Find out what a heading or a key means."""
    text = "".join(each if each.isprintable() else "?" for each in " ".join(text.split()))
    if len(text) > _LONGEST_HEADING:
        return Heading(f"{text[: _LONGEST_HEADING - 3]}...", None)
    whole = _field_named(text)
    bracketed = _BRACKETS.match(text)
    if bracketed is not None:
        field = _field_named(bracketed["base"])
        if field is not None:
            return Heading(text, field, bracketed["unit"].strip() or None)
    if whole is not None and text[-1:].isalnum():
        return Heading(text, whole)
    tail = _TAIL.match(text)
    if tail is not None:
        unit = tail["word"] or tail["sign"]
        field = _field_named(tail["base"])
        if field is not None and unit_named(unit) is not None:
            return Heading(text, field, unit)
    return Heading(text, whole)
