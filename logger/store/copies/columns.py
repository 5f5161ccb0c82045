"""What a copy of a session is: plain rows that name things by what they are, not by row numbers.

A copy holds everything that the analysis of one session rests on, apart from the raw records. Clubs
go by their labels, boots by board key and boot key; the session by its player, its set and the
moment it began. So it means the same in any data file.

========== ===================================================================================
player     whose session it is; one row, and so for set and session
set        with its pivot club
session    what was agreed at its start
clubs      of the set, also those that left it; position missing = no longer in the set
specs      dated history of each club
bends      of each club
overlays   readings of two neighbours laid sole to sole
misses     counts of where a club's shots end up
boots      boards and their starts that have something in the session
presses    of the foot switch that were done in those boots
evenings   and other calibrations of those boards
turns      which club was up from when
losses     records that exist nowhere any more
notes      remarks
strikes    contacts seen by a board, with what the fitter said of them
acts       what a person corrected of it, or of what it shares with others
act_parts  what each act says, of which row
marks      read off the sole; ``audits_*`` name the strike of the same swing
========== ===================================================================================
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Literal, TypeAlias

from logger.setfiles.clubs import ClubSpec

COPY_SCHEMA = "lieboard session 1"
Kind: TypeAlias = Literal["text", "integer", "real"]
Row: TypeAlias = dict[str, Any]
SessionCopy: TypeAlias = dict[str, list[Row]]


@dataclass(frozen=True, slots=True)
class CopiedColumn:
    """One column of a part of a copy."""

    name: str
    kind: Kind
    may_miss: bool = False


@dataclass(frozen=True, slots=True)
class CopiedPart:
    """One part of a copy and the query that makes it; ``:session`` is the session's id."""

    columns: tuple[CopiedColumn, ...]
    sql: str


def _columns(text: str = "", integer: str = "", real: str = "") -> tuple[CopiedColumn, ...]:
    """Columns by kind; a name that ends in ``?`` may be missing."""
    made: list[CopiedColumn] = []
    kinds: tuple[tuple[Kind, str], ...] = (("text", text), ("integer", integer), ("real", real))
    for kind, names in kinds:
        made += [CopiedColumn(name.rstrip("?"), kind, name.endswith("?")) for name in names.split()]
    return tuple(made)


_SET = '(SELECT "set" FROM sessions WHERE id = :session)'
_CLUBS = f'SELECT id FROM clubs WHERE "set" = {_SET}'
_BOOTS = (
    "SELECT boot FROM records WHERE session = :session"
    " UNION SELECT boot FROM strikes WHERE session = :session"
    " UNION SELECT boot FROM losses WHERE session = :session"
)
_LABEL = "(SELECT label FROM clubs WHERE clubs.id = {club})"
_WHICH_BOOT = (
    "(SELECT board_key FROM boards JOIN boots ON boots.board = boards.id"
    " WHERE boots.id = {boot}) AS {prefix}board,"
    " (SELECT boot_key FROM boots WHERE boots.id = {boot}) AS {prefix}boot"
)
# Of a session that was deleted nothing is carried but that.
_THERE = "(SELECT NOT gone FROM sessions WHERE id = :session)"
_ACTS = (
    "SELECT acts.id FROM acts JOIN act_parts ON act_parts.act = acts.id"
    " WHERE act_parts.session = :session OR act_parts.to_session = :session"
    f" OR act_parts.club IN ({_CLUBS})"
    f" OR act_parts.board IN (SELECT board FROM boots WHERE id IN ({_BOOTS}))"
    f" OR act_parts.player = (SELECT player FROM sets WHERE id = {_SET})"
)
_CLUB_NAMES = (
    "(SELECT players.name FROM players JOIN sets ON sets.player = players.id JOIN clubs"
    ' ON clubs."set" = sets.id WHERE clubs.id = {club}) AS {prefix}club_player,'
    ' (SELECT sets.name FROM sets JOIN clubs ON clubs."set" = sets.id WHERE clubs.id = {club})'
    " AS {prefix}club_set, (SELECT label FROM clubs WHERE clubs.id = {club}) AS {prefix}club"
)
_SET_NAMES = (
    "(SELECT players.name FROM players JOIN sets ON sets.player = players.id"
    " WHERE sets.id = {prefix}set) AS {prefix}set_player,"
    " (SELECT name FROM sets WHERE sets.id = {prefix}set) AS {prefix}set"
)
_SPECS = [field.name for field in fields(ClubSpec)]
_SPEC_TEXT = ("head_material", "bias_unit")
_BOOT = _WHICH_BOOT.format(boot="boot", prefix="")

BOOT_ROWS = (
    "SELECT boards.board_key AS board, boards.form, boards.name, boots.boot_key AS boot,"
    " boots.hello, boards.first_seen_utc_ns AS board_first_seen_utc_ns,"
    " boots.first_seen_utc_ns, boards.accepted, boards.accepted_utc_ns"
    " FROM boots JOIN boards ON boards.id = boots.board"
)

PARTS: dict[str, CopiedPart] = {
    "player": CopiedPart(
        _columns("name hand note?"),
        "SELECT name, hand, note FROM players"
        f" WHERE id = (SELECT player FROM sets WHERE id = {_SET})",
    ),
    "set": CopiedPart(
        _columns("name pivot?", real="machine_increment_deg?"),
        f"SELECT name, {_LABEL.format(club='pivot_club')} AS pivot, machine_increment_deg"
        f" FROM sets WHERE id = {_SET}",
    ),
    "session": CopiedPart(
        _columns(
            "hand surface? note?",
            "ball started_utc_ns ended_utc_ns? gone?",
            "stance_mm stance_u_mm sole_middle_mm sole_middle_u_mm machine_increment_deg?",
        ),
        "SELECT hand, surface, note, ball, started_utc_ns, ended_utc_ns, stance_mm, stance_u_mm,"
        " sole_middle_mm, sole_middle_u_mm, machine_increment_deg, gone FROM sessions"
        " WHERE id = :session",
    ),
    "clubs": CopiedPart(
        _columns("label", "position?"),
        f'SELECT label, position FROM clubs WHERE "set" = {_SET} ORDER BY id',
    ),
    "specs": CopiedPart(
        _columns(
            "club source " + " ".join(f"{name}?" for name in _SPEC_TEXT),
            "from_utc_ns",
            " ".join(f"{name}?" for name in _SPECS if name not in _SPEC_TEXT),
        ),
        f"SELECT {_LABEL.format(club='club')} AS club, source, from_utc_ns, {', '.join(_SPECS)}"
        f" FROM club_specs WHERE club IN ({_CLUBS}) ORDER BY from_utc_ns, id",
    ),
    "bends": CopiedPart(
        _columns(
            "club note?",
            "bent_utc_ns session_started_utc_ns?",
            "planned_bend_deg? lie_before_deg? lie_after_deg? loft_before_deg? loft_after_deg?",
        ),
        f"SELECT {_LABEL.format(club='club')} AS club, note, bent_utc_ns,"
        " (SELECT started_utc_ns FROM sessions WHERE sessions.id = bends.session)"
        " AS session_started_utc_ns, planned_bend_deg, lie_before_deg, lie_after_deg,"
        f" loft_before_deg, loft_after_deg FROM bends WHERE club IN ({_CLUBS})"
        " ORDER BY bent_utc_ns, id",
    ),
    "overlays": CopiedPart(
        _columns("first_club second_club", "read_utc_ns", "offset_mm u_mm"),
        f"SELECT {_LABEL.format(club='first_club')} AS first_club,"
        f" {_LABEL.format(club='second_club')} AS second_club, read_utc_ns, offset_mm, u_mm"
        f" FROM overlays WHERE first_club IN ({_CLUBS}) ORDER BY read_utc_ns, id",
    ),
    "misses": CopiedPart(
        _columns("club", "left_count straight_count right_count noted_utc_ns"),
        f"SELECT {_LABEL.format(club='club')} AS club, left_count, straight_count, right_count,"
        f" noted_utc_ns FROM misses WHERE club IN ({_CLUBS}) ORDER BY noted_utc_ns, id",
    ),
    "boots": CopiedPart(
        _columns(
            "board form name boot hello?",
            "board_first_seen_utc_ns first_seen_utc_ns accepted? accepted_utc_ns?",
        ),
        f"{BOOT_ROWS} WHERE boots.id IN ({_BOOTS}) ORDER BY boots.id",
    ),
    "presses": CopiedPart(
        _columns("board boot", "sequence"),
        f"SELECT {_BOOT}, sequence FROM presses WHERE boot IN ({_BOOTS}) ORDER BY boot, sequence",
    ),
    "evenings": CopiedPart(
        _columns("board kind method_version content", "from_utc_ns"),
        "SELECT boards.board_key AS board, kind, method_version, content, from_utc_ns"
        " FROM calibrations JOIN boards ON boards.id = calibrations.board"
        f" WHERE boards.id IN (SELECT board FROM boots WHERE id IN ({_BOOTS}))"
        " ORDER BY from_utc_ns, calibrations.id",
    ),
    "acts": CopiedPart(
        _columns("key place kind words takes_back?", "said_utc_ns"),
        "SELECT act_key AS key, place, kind, words, takes_back, said_utc_ns FROM acts"
        f" WHERE id IN ({_ACTS})"
        f" OR takes_back IN (SELECT act_key FROM acts WHERE id IN ({_ACTS}))"
        " ORDER BY said_utc_ns, act_key",
    ),
    "act_parts": CopiedPart(
        _columns(
            "act about field value? was? club_player? club_set? club? board? boot_board? boot_boot?"
            " player? to_club_player? to_club_set? to_club? to_set_player? to_set?"
            " was_set_player? was_set?",
            "part at to_at? within session_started_utc_ns? to_session_started_utc_ns?",
        ),
        "SELECT (SELECT act_key FROM acts WHERE acts.id = act) AS act, about, field, value, was,"
        f" {_CLUB_NAMES.format(club='act_parts.club', prefix='')},"
        " (SELECT board_key FROM boards WHERE boards.id = act_parts.board) AS board,"
        f" {_WHICH_BOOT.format(boot='act_parts.boot', prefix='boot_')},"
        " (SELECT name FROM players WHERE players.id = act_parts.player) AS player,"
        f" {_CLUB_NAMES.format(club='to_club', prefix='to_')},"
        f" {_SET_NAMES.format(prefix='to_')}, {_SET_NAMES.format(prefix='was_')},"
        " part, at, to_at, within,"
        " (SELECT started_utc_ns FROM sessions WHERE sessions.id = act_parts.session)"
        " AS session_started_utc_ns,"
        " (SELECT started_utc_ns FROM sessions WHERE sessions.id = to_session)"
        f" AS to_session_started_utc_ns FROM act_parts WHERE act IN ({_ACTS}) ORDER BY act, part",
    ),
    "turns": CopiedPart(
        _columns("club? cause", "from_utc_ns"),
        f"SELECT {_LABEL.format(club='club')} AS club, cause, from_utc_ns FROM turns"
        " WHERE session = :session ORDER BY from_utc_ns, id",
    ),
    "losses": CopiedPart(
        _columns("board boot club? reason", "from_sequence? to_sequence? count noted_utc_ns"),
        f"SELECT {_BOOT}, {_LABEL.format(club='club')} AS club, reason, from_sequence,"
        " to_sequence, count, noted_utc_ns FROM losses WHERE session = :session"
        " ORDER BY noted_utc_ns, id",
    ),
    "notes": CopiedPart(
        _columns("text", "written_utc_ns"),
        "SELECT text, written_utc_ns FROM notes WHERE NOT gone AND session = :session"
        " ORDER BY written_utc_ns, id",
    ),
    "strikes": CopiedPart(
        _columns(
            "board boot club? kind method_version rule_reason? fitter_choice? fitter_reason?",
            "first_sequence last_sequence within struck_utc_ns flags",
            "toe_mm? board_mm? trail_mm? load? span_us?",
        ),
        f"SELECT {_BOOT}, {_LABEL.format(club='club')} AS club, kind, method_version, rule_reason,"
        " fitter_choice, fitter_reason, first_sequence, last_sequence, within, struck_utc_ns,"
        " flags, toe_mm, board_mm, trail_mm, load, span_us FROM strikes WHERE session = :session"
        f" AND {_THERE} ORDER BY id",
    ),
    "marks": CopiedPart(
        _columns(
            "club audits_board? audits_boot? fitter_choice? fitter_reason?",
            "struck_utc_ns audits_first_sequence? audits_within?",
            "toe_mm trail_mm? u_mm",
        ),
        f"SELECT {_LABEL.format(club='marks.club')} AS club,"
        f" {_WHICH_BOOT.format(boot='audited.boot', prefix='audits_')},"
        " marks.fitter_choice, marks.fitter_reason, marks.struck_utc_ns,"
        " audited.first_sequence AS audits_first_sequence, audited.within AS audits_within,"
        " marks.toe_mm, marks.trail_mm, marks.u_mm"
        " FROM marks LEFT JOIN strikes AS audited ON audited.id = marks.audits"
        f" WHERE marks.session = :session AND NOT marks.gone AND {_THERE} ORDER BY marks.id",
    ),
}
