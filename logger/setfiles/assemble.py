"""Entries of a set file made into a set, or into a list of what is wrong with them."""

from __future__ import annotations

import re
from typing import Any

from logger.setfiles import cells
from logger.setfiles.clubs import Club, ClubSpec, SetFile
from logger.setfiles.entries import ClubEntries, Entries, Entry, Problems
from logger.setfiles.fields import FieldKind

_LONGEST_NAME = 80
_LONGEST_LABEL = 24
_SEVEN_IRON = re.compile(r"7\W*(i|iron)?", re.IGNORECASE)


def assemble(entries: Entries, default_name: str, problems: Problems) -> SetFile:
    """Make the set that the entries tell of.

    Raises
    ------
    ConfigError
        Naming everything that was found wrong, also earlier.
    """
    facts = {name: _value(entry, problems) for name, entry in entries.facts.items()}
    if "player" not in facts:
        problems.add("", "no player is named: add player and a name")
    if "hand" not in facts:
        problems.add("", "no hand is given: add hand and right or left")
    clubs = _clubs(entries, problems)
    if not entries.clubs:
        problems.add("", "there are no clubs in it")
    pivot = _pivot(entries.facts.get("pivot_label"), facts.get("pivot_label"), clubs, problems)
    problems.raise_if_any()
    return SetFile(
        player=facts["player"],
        hand=facts["hand"],
        name=facts.get("name") or default_name,
        pivot_label=pivot,
        machine_increment_deg=facts.get("machine_increment_deg"),
        clubs=tuple(clubs),
        ignored=tuple(entries.ignored),
    )


def _value(entry: Entry, problems: Problems) -> Any:  # noqa: ANN401
    """Value of an entry; None, and a problem noted, if it makes no sense."""
    field = entry.field
    try:
        match field.kind:
            case FieldKind.LENGTH:
                return cells.length_mm(entry.value, entry.unit, field.least, field.greatest)
            case FieldKind.ANGLE:
                return cells.angle_deg(entry.value, entry.unit, field.least, field.greatest)
            case FieldKind.BIAS:
                return cells.bias(entry.value, entry.unit)
            case FieldKind.MATERIAL:
                return cells.material(entry.value)
            case FieldKind.HAND:
                return cells.hand(entry.value)
            case FieldKind.TEXT:
                longest = _LONGEST_LABEL if field.name == "label" else _LONGEST_NAME
                return cells.text(entry.value, longest)
    except cells.CellError as exc:
        problems.add(entry.place, str(exc))
    return None


def _clubs(entries: Entries, problems: Problems) -> list[Club]:
    clubs: list[Club] = []
    places: dict[str, str] = {}
    for each in entries.clubs:
        club = _club(each, problems)
        if club is None:
            continue
        earlier = places.setdefault(club.label.casefold(), each.place)
        if earlier != each.place:
            problems.add(each.place, f"club {club.label} is in {earlier} already: keep one")
        clubs.append(club)
    return clubs


def _club(found: ClubEntries, problems: Problems) -> Club | None:
    values = {name: _value(entry, problems) for name, entry in found.entries.items()}
    if "label" not in found.entries:
        problems.add(found.place, "no club is named here")
    if "camber_u_mm" in values and "camber_mm" not in values:
        place = found.entries["camber_u_mm"].place
        problems.add(place, "an uncertainty of a camber needs the camber too")
    label = values.pop("label", None)
    if values.get("bias") is not None:
        values["bias"], values["bias_unit"] = values["bias"]
    return None if label is None else Club(label, ClubSpec(**values))


def _pivot(entry: Entry | None, wanted: str | None, clubs: list[Club], problems: Problems) -> str:
    """Label of the pivot club: the one named, else the 7-iron, else the middle one."""
    labels = [club.label for club in clubs]
    if entry is not None and wanted is not None:
        for label in labels:
            if label.casefold() == wanted.casefold():
                return label
        problems.add(
            entry.place, f"{cells.shown(wanted)} is not one of the clubs: {', '.join(labels)}"
        )
    for label in labels:
        if _SEVEN_IRON.fullmatch(label):
            return label
    return labels[len(labels) // 2] if labels else ""
