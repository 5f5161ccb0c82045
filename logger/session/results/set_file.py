"""A set written down as a set file, which reads back as the same set."""

from __future__ import annotations

import json

from logger.session.results.export import csv_text
from logger.setfiles.clubs import ClubSpec, SetFile
from logger.setfiles.units import inches_from_mm

# Column of the file, field, whether it is a length.
_COLUMNS = (
    ("length", "length_mm", True),
    ("lie deg", "lie_deg", False),
    ("loft deg", "loft_deg", False),
    ("bounce deg", "bounce_deg", False),
    ("camber", "camber_mm", True),
    ("camber u", "camber_u_mm", True),
    ("sole length", "sole_length_mm", True),
    ("material", "head_material", False),
)


def set_as_csv(own: SetFile, *, inches: bool = False) -> str:
    """Write a set as CSV (RFC 4180); no text in it begins like a formula."""
    rows: list[list[object]] = [
        ["player", own.player],
        ["hand", own.hand],
        ["set", own.name],
        ["pivot", own.pivot_label],
    ]
    if own.machine_increment_deg is not None:
        rows.append(["machine step deg", own.machine_increment_deg])
    unit = "in" if inches else "mm"
    headings = [f"{name} {unit}" if long else name for name, _, long in _COLUMNS]
    rows.append(["club", *headings, "bias"])
    for club in own.clubs:
        cells = [_cell(club.spec, field, long, inches) for _, field, long in _COLUMNS]
        rows.append([club.label, *cells, _bias(club.spec)])
    return csv_text(rows)


def set_as_toml(own: SetFile) -> str:
    """Write a set as TOML, lengths in mm."""
    lines = [
        f"player = {_text(own.player)}",
        f"hand = {_text(own.hand)}",
        f"set = {_text(own.name)}",
        f"pivot = {_text(own.pivot_label)}",
    ]
    if own.machine_increment_deg is not None:
        lines.append(f"machine_increment_deg = {own.machine_increment_deg:g}")
    for club in own.clubs:
        lines += ["", "[[club]]", f"label = {_text(club.label)}"]
        for _, field, _ in _COLUMNS:
            value = getattr(club.spec, field)
            if value is not None:
                key = "material" if field == "head_material" else field
                shown = _text(value) if isinstance(value, str) else repr(round(value, 4))
                lines.append(f"{key} = {shown}")
        bias = _bias(club.spec)
        if bias:
            lines.append(f"bias = {_text(bias)}")
    return "\n".join([*lines, ""])


def _cell(spec: ClubSpec, field: str, is_length: bool, inches: bool) -> object:
    value = getattr(spec, field)
    if value is None or isinstance(value, str):
        return value
    # A ten thousandth is less than anybody measures.
    return round(inches_from_mm(value) if is_length and inches else value, 4)


def _bias(spec: ClubSpec) -> str:
    if not spec.bias or spec.bias_unit is None:
        return ""
    sides = {"mm": ("toe", "heel"), "deg": ("upright", "flat"), "m": ("right", "left")}
    side = sides[spec.bias_unit][spec.bias < 0]
    return f"{abs(spec.bias):g} {spec.bias_unit} {side}"


def _text(value: str) -> str:
    # A JSON string is a TOML basic string (TOML 1.0: the same escapes).
    return json.dumps(value, ensure_ascii=False)
