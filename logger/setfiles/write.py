"""A set written down as a set file, which reads back as the same set."""

from __future__ import annotations

import csv
import io
import json

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
# What a spreadsheet takes for the beginning of a formula. OWASP, "CSV Injection".
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def set_as_csv(own: SetFile, *, inches: bool = False) -> str:
    """Write a set as CSV; no name in it begins like a formula: such a one has a space before it."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\r\n")
    for key, value in (
        ("player", own.player), ("hand", own.hand), ("set", own.name), ("pivot", own.pivot_label),
    ):  # fmt: skip
        rows.writerow([key, _harmless(value)])
    if own.machine_increment_deg is not None:
        rows.writerow(["machine step deg", f"{own.machine_increment_deg:g}"])
    unit = "in" if inches else "mm"
    rows.writerow(["club", *(f"{name} {unit}" if long else name for name, _, long in _COLUMNS),
                   "bias"])  # fmt: skip
    for club in own.clubs:
        cells = [_cell(club.spec, field, long, inches) for _, field, long in _COLUMNS]
        rows.writerow([_harmless(club.label), *cells, _bias(club.spec)])
    return out.getvalue()


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


def _cell(spec: ClubSpec, field: str, is_length: bool, inches: bool) -> str:
    value = getattr(spec, field)
    if value is None or isinstance(value, str):
        return value or ""
    # A ten thousandth is less than anybody measures.
    return repr(round(inches_from_mm(value) if is_length and inches else value, 4))


def _bias(spec: ClubSpec) -> str:
    if not spec.bias or spec.bias_unit is None:
        return ""
    sides = {"mm": ("toe", "heel"), "deg": ("upright", "flat"), "m": ("right", "left")}
    side = sides[spec.bias_unit][spec.bias < 0]
    return f"{abs(spec.bias):g} {spec.bias_unit} {side}"


def _harmless(text: str) -> str:
    # Spaces around a cell are dropped when it is read.
    return f" {text}" if text.startswith(_FORMULA) else text


def _text(value: str) -> str:
    # A JSON string is a TOML basic string (TOML 1.0: the same escapes).
    return json.dumps(value, ensure_ascii=False)
