"""A set as a table that one types into: cells to a set, a set to cells, what is wrong by cell."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from logger.desk.shell.words import Units, plain
from logger.errors import ConfigError
from logger.session.corrections.acts import Said
from logger.session.corrections.sets import import_set, plan_import
from logger.setfiles import load_set
from logger.setfiles.assemble import assemble
from logger.setfiles.clubs import Club, ClubSpec, SetFile
from logger.setfiles.entries import ClubEntries, Entries, Entry, Problems
from logger.setfiles.fields import CLUB_FIELDS, SET_FIELDS, FieldKind
from logger.store.rows import SetRow
from logger.store.store import Store

_FIELDS = {one.name: one for one in (*CLUB_FIELDS, *SET_FIELDS)}
_MOST_ROWS = 40
_SPARE_ROWS = 2
USUAL_LABELS = ("4i", "5i", "6i", "7i", "8i", "9i", "PW")


@dataclass(frozen=True, slots=True)
class TableColumn:
    """One column of the table."""

    name: str
    """Of the field."""
    heading: str
    means: str
    """One sentence for whoever has to measure it."""
    unit: str = ""
    """``length`` or ``deg``; empty: a word."""


COLUMNS = (
    TableColumn("label", "club", "What is written on it, such as 7i or PW."),
    TableColumn("length_mm", "length", "From the end of the grip to the heel, club on its sole, "
           "along the back of the shaft.", "length"),
    TableColumn("lie_deg", "lie", "Between shaft and ground, as measured on the machine.", "deg"),
    TableColumn("loft_deg", "loft", "Between face and shaft, as measured on the machine.", "deg"),
    TableColumn("bounce_deg", "bounce", "Between sole and ground, front to back.", "deg"),
    TableColumn("camber_mm", "camber", "Radius of the sole's curve from heel to toe: rock the head "
           "on the board, or lay it against a card with arcs.", "length"),
    TableColumn("camber_u_mm", "± camber", "How well that radius is known (one sigma).", "length"),
    TableColumn("sole_length_mm", "sole", "Length of the sole from heel to toe.", "length"),
    TableColumn("head_material", "head", "Material: forged, cast, hard or unknown."),
    TableColumn("bias", "wanted", "Where this player wants it: 2 mm heel, 1 deg flat, 4 m right."),
)  # fmt: skip
MATERIALS = ("forged", "cast", "hard", "unknown")


@dataclass(frozen=True)
class SetTable:
    """What stands in the form: names, and cells as they were typed."""

    player: str = ""
    hand: str = "right"
    name: str = "irons"
    pivot: str = ""
    step: str = ""
    """Of the machine, degrees."""
    rows: tuple[Mapping[str, str], ...] = ()
    problems: Mapping[str, str] = field(default_factory=dict)
    """By cell, such as ``2.lie_deg``, or the name of a field above the table."""
    general: tuple[str, ...] = ()
    """What is wrong with all of it."""

    @property
    def with_spare_rows(self) -> tuple[Mapping[str, str], ...]:
        """Its rows, and some that are empty."""
        spare = max(_SPARE_ROWS, 9 - len(self.rows))
        empty = dict.fromkeys((one.name for one in COLUMNS), "")
        return (*self.rows, *([empty] * spare))


def table_of(own: SetRow, units: Units) -> SetTable:
    """Return a stored set as a table, in the units of whoever looks."""
    pivot = next((club.label for club in own.clubs if club.id == own.pivot_club), "")
    rows = tuple({"label": club.label, **_cells(club.spec, units)} for club in own.clubs)
    return SetTable(
        own.player.name, own.player.hand, own.name, pivot, plain(own.machine_increment_deg), rows
    )


def table_of_file(read: SetFile, units: Units) -> SetTable:
    """Return a set file as a table."""
    rows = tuple({"label": club.label, **_cells(club.spec, units)} for club in read.clubs)
    return SetTable(
        read.player, read.hand, read.name, read.pivot_label, plain(read.machine_increment_deg), rows
    )


def file_of(own: SetRow) -> SetFile:
    """Return a stored set as a set file says it."""
    pivot = next((c.label for c in own.clubs if c.id == own.pivot_club), own.clubs[0].label)
    clubs = tuple(Club(club.label, club.spec) for club in own.clubs)
    return SetFile(
        own.player.name, own.player.hand, own.name, pivot, own.machine_increment_deg, clubs
    )


def keep_of_club(store: Store, own: SetRow, label: str, spec: ClubSpec, said: Said) -> str:
    """Keep what was found out of a club; true from the start, so all sessions follow."""
    told = file_of(own)
    clubs = tuple(Club(one.label, spec if one.label == label else ClubSpec()) for one in told.clubs)
    return import_set(store, plan_import(store, replace(told, clubs=clubs)), said, correct=True)


def _cells(spec: ClubSpec, units: Units) -> dict[str, str]:
    cells = {}
    for column in COLUMNS[1:]:
        value = getattr(spec, column.name)
        if column.name == "bias":
            cells["bias"] = wish_words(spec)
        elif column.unit == "length":
            cells[column.name] = units.number(value)
        else:
            cells[column.name] = value or "" if isinstance(value, str | None) else plain(value)
    return cells


def wish_words(spec: ClubSpec) -> str:
    """Return what is wanted of a club as one types it; empty where it is the middle."""
    if not spec.bias or spec.bias_unit is None:
        return ""
    sides = {"mm": ("toe", "heel"), "deg": ("upright", "flat"), "m": ("right", "left")}
    return f"{abs(spec.bias):g} {spec.bias_unit} {sides[spec.bias_unit][spec.bias < 0]}"


def table_from_form(form: Mapping[str, str]) -> SetTable:
    """Return what was typed; nothing of it is understood yet."""
    rows = []
    for at in range(_MOST_ROWS):
        if f"{at}.label" not in form:
            break
        row = {one.name: form.get(f"{at}.{one.name}", "").strip() for one in COLUMNS}
        if any(row.values()):
            rows.append(row)
    return SetTable(
        form.get("player", "").strip(),
        form.get("hand", "right"),
        form.get("name", "").strip(),
        form.get("pivot", "").strip(),
        form.get("step", "").strip(),
        tuple(rows),
    )


class _ByCell(Problems):
    """Problems that also know the cell they are of."""

    def __init__(self) -> None:
        super().__init__("the table")
        self.by_place: dict[str, str] = {}
        self.general: list[str] = []

    def add(self, place: str, text: str) -> None:
        super().add(place, text)
        if place:
            self.by_place.setdefault(place, text)
        else:
            self.general.append(text)


def read_table(
    table: SetTable, units: Units, shown: SetTable | None = None
) -> tuple[SetFile | None, SetTable]:
    """Understand a table; return the set, or None and the table with what is wrong where.

    Parameters
    ----------
    shown
        What the table said before it was typed into: a cell that was not touched says nothing, so
        that what a bend or a measurement has changed since the set file is not said again.
    """
    problems = _ByCell()
    entries = Entries()
    for name, value in (
        ("player", table.player), ("hand", table.hand), ("name", table.name),
        ("pivot_label", table.pivot), ("machine_increment_deg", table.step),
    ):  # fmt: skip
        if value:
            entries.facts[name] = Entry(_FIELDS[name], value, None, name)
    before = {} if shown is None else {row["label"].casefold(): row for row in shown.rows}
    for at, row in enumerate(table.rows):
        old = before.get(row["label"].casefold(), {})
        cells = {}
        for column in COLUMNS:
            value = row[column.name]
            untouched = column.name != "label" and value == old.get(column.name)
            # An emptied wish is one that is taken back; any other empty cell says nothing.
            if column.name == "bias" and not value and old.get("bias"):
                value = f"0 {old['bias'].split()[1]}"
            if value and not untouched:
                known = _FIELDS[column.name]
                unit = units.name if known.kind is FieldKind.LENGTH else None
                cells[column.name] = Entry(known, value, unit, f"{at}.{column.name}")
        if "camber_u_mm" in cells and "camber_mm" not in cells and row["camber_mm"]:
            cells["camber_mm"] = Entry(
                _FIELDS["camber_mm"], row["camber_mm"], units.name, f"{at}.camber_mm"
            )
        entries.clubs.append(ClubEntries(f"{at}.label", cells))
    try:
        return assemble(entries, table.name or "irons", problems), table
    except ConfigError:
        general = [words for words in problems.general if "player" not in words]
        by_place = dict(problems.by_place)
        if not table.player:
            by_place["player"] = "a player needs a name"
        return None, replace(table, problems=by_place, general=tuple(general))


def read_pasted(text: str, *, player: str, hand: str, name: str) -> SetFile:
    """Read a table with headings that was pasted.

    Raises
    ------
    ConfigError
        With every row and column that is wrong.
    """
    return read_upload(text.encode(), "what was pasted.csv", player=player, hand=hand, name=name)


def read_upload(
    data: bytes, file_name: str, *, player: str = "", hand: str = "", name: str = ""
) -> SetFile:
    """Read a set file that was sent; its name only says what form it has.

    Raises
    ------
    ConfigError
        With every row and column that is wrong, or that it is no set file.
    """
    shown = "".join(c if c.isprintable() and c not in "/\\" else "?" for c in file_name)[-80:]
    ending = Path(shown).suffix.lower()
    if ending not in (".csv", ".tsv", ".txt", ".toml"):
        raise ConfigError(
            f"{shown or 'this file'}: a set file ends in .toml or .csv: save the spreadsheet as CSV"
        )
    with tempfile.TemporaryDirectory(prefix="lieboard-") as folder:
        file = Path(folder) / f"sent{ending}"
        file.write_bytes(data)
        try:
            return load_set(file, player=player or None, hand=hand or None, name=name or None)
        except ConfigError as error:
            raise ConfigError(str(error).replace(str(file), shown)) from None


def labels_of(text: str) -> Sequence[str]:
    """Return the clubs that a row of labels names."""
    return text.replace(",", " ").split()[:_MOST_ROWS]
