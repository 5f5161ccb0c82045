"""Take what boards sent from another data file into this one: starts and records.

Done by SQL where it can be: there are many records, and each may be kilobytes.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass

from logger.store.copies.merge_rows import Merging
from logger.store.copies.merge_rules import Row, order
from logger.store.core import Value

# Between the key of a board's start and what tells it from another start of the same key: a board
# that cannot count its starts gives them all one. Not ``~``: that counts starts seen by one host.
_APART = "+"
_TIMES = ("struck_u_ns", "struck_utc_ns", "arrival_ns")


@dataclass(frozen=True, slots=True)
class _Shared:
    """How the records of two starts compare under the numbers that both have."""

    same: int
    other_bytes: int


def merge_boots(merging: Merging) -> None:
    """Find or add the starts of boards.

    Two starts of one key are the same if the bytes under a number that both have are ever the
    same, or if they share no number. Else they are two: the one whose first record has the smaller
    fingerprint keeps the key, the other's gets its fingerprint behind it.
    """
    ids = merging.ids.setdefault("boots", {})
    for number, row in merging.rows("boots", merging.other):
        said = merging.translated("boots", row)
        if said["board"] is None:
            continue
        own = _same_boot(merging, number, said)
        if own is None:
            own = merging.insert("boots", said)
        else:
            _settle_boot(merging, own, said)
        ids[number] = own
    merging.connection.execute("DROP TABLE IF EXISTS temp.boot_ids")
    merging.connection.execute(
        "CREATE TEMP TABLE boot_ids (other_id INTEGER PRIMARY KEY, own_id INTEGER NOT NULL)"
    )
    merging.connection.executemany("INSERT INTO boot_ids VALUES (?, ?)", ids.items())


def _same_boot(merging: Merging, number: int, said: Row) -> int | None:
    """Find the start here that is the other file's; make room under its key if it is another."""
    key = str(said["boot_key"])
    first_key = key.split(_APART)[0]
    best: tuple[int, int] | None = None
    exact: tuple[int, _Shared] | None = None
    for own, own_key in merging.connection.execute(
        "SELECT id, boot_key FROM main.boots WHERE board = ? ORDER BY boot_key", (said["board"],)
    ).fetchall():
        if str(own_key).split(_APART)[0] != first_key:
            continue
        shared = _shared(merging, own, number)
        if shared.same and (best is None or shared.same > best[0]):
            best = (shared.same, own)
        if own_key == key:
            exact = (own, shared)
    if best is not None:
        return best[1]
    if exact is None:
        return None
    own, shared = exact
    if not shared.other_bytes:
        return own
    ours, theirs = _fingerprint(merging, "main", own), _fingerprint(merging, "other", number)
    merging.differ(f"boots {key}: two starts of one board under one key", "both", "neither")
    if theirs < ours:
        merging.update("boots", own, {"boot_key": f"{first_key}{_APART}{ours}"})
    else:
        said["boot_key"] = f"{first_key}{_APART}{theirs}"
    return None


def _shared(merging: Merging, own: int, other: int) -> _Shared:
    row = merging.connection.execute(
        "SELECT COALESCE(SUM(theirs.raw = ours.raw), 0), COALESCE(SUM(theirs.raw <> ours.raw), 0)"
        " FROM other.records AS theirs JOIN main.records AS ours"
        " ON ours.boot = ? AND ours.sequence = theirs.sequence WHERE theirs.boot = ?",
        (own, other),
    ).fetchone()
    return _Shared(int(row[0]), int(row[1]))


def _fingerprint(merging: Merging, schema: str, boot: int) -> str:
    records = {"main": "main.records", "other": "other.records"}[schema]
    row = merging.connection.execute(
        f"SELECT raw FROM {records} WHERE boot = ? ORDER BY sequence LIMIT 1", (boot,)
    ).fetchone()
    return hashlib.sha256(row[0]).hexdigest()[:8]


def _settle_boot(merging: Merging, own: int, said: Row) -> None:
    first_seen, hello = merging.connection.execute(
        "SELECT first_seen_utc_ns, hello FROM main.boots WHERE id = ?", (own,)
    ).fetchone()
    wanted: Row = {
        "first_seen_utc_ns": min(first_seen, said["first_seen_utc_ns"], key=order),
        # The later word of the board: the one that has numbered more.
        "hello": max(hello, said["hello"], key=_age_of_hello),
    }
    if wanted != {"first_seen_utc_ns": first_seen, "hello": hello}:
        merging.update("boots", own, wanted)


def _age_of_hello(hello: Value) -> tuple[int, str]:
    if not isinstance(hello, str):
        return (-1, "")
    try:
        said = json.loads(hello)
    except ValueError:
        return (0, hello)
    numbered = said.get("next_sequence") if isinstance(said, dict) else None
    return (numbered if isinstance(numbered, int) else 0, hello)


def merge_records(merging: Merging) -> set[tuple[int, int]]:
    """Take in records; return (session, boot) where each file had records that the other had not.

    Of one number with other bytes the earlier struck counts, and the other is kept aside.
    """
    connection = merging.connection
    connection.execute("DROP TABLE IF EXISTS temp.session_ids")
    connection.execute(
        "CREATE TEMP TABLE session_ids (other_id INTEGER PRIMARY KEY, own_id INTEGER NOT NULL)"
    )
    connection.executemany("INSERT INTO session_ids VALUES (?, ?)", merging.ids["sessions"].items())
    only_here = {
        (int(session), int(boot))
        for session, boot in connection.execute(
            "SELECT DISTINCT ours.session, ours.boot FROM main.records AS ours"
            " JOIN boot_ids ON boot_ids.own_id = ours.boot WHERE ours.session IS NOT NULL"
            " AND NOT EXISTS (SELECT 1 FROM other.records AS theirs"
            "  WHERE theirs.boot = boot_ids.other_id AND theirs.sequence = ours.sequence)"
        )
    }
    differing = connection.execute(
        "SELECT ours.id, theirs.id FROM other.records AS theirs"
        " JOIN boot_ids ON boot_ids.other_id = theirs.boot"
        " JOIN main.records AS ours"
        "  ON ours.boot = boot_ids.own_id AND ours.sequence = theirs.sequence"
        " LEFT JOIN session_ids ON session_ids.other_id = theirs.session"
        " WHERE theirs.raw <> ours.raw OR session_ids.own_id IS NOT ours.session"
        "  OR theirs.struck_utc_ns IS NOT ours.struck_utc_ns"
        "  OR theirs.struck_u_ns IS NOT ours.struck_u_ns OR theirs.arrival_ns <> ours.arrival_ns"
        " ORDER BY ours.id"
    ).fetchall()
    for own, theirs in differing:
        _settle_record(merging, own, theirs)
    new = connection.execute(
        "SELECT theirs.id, boot_ids.own_id, session_ids.own_id FROM other.records AS theirs"
        " JOIN boot_ids ON boot_ids.other_id = theirs.boot"
        " LEFT JOIN session_ids ON session_ids.other_id = theirs.session"
        " WHERE NOT EXISTS (SELECT 1 FROM main.records AS ours"
        "  WHERE ours.boot = boot_ids.own_id AND ours.sequence = theirs.sequence)"
        " ORDER BY boot_ids.own_id, theirs.sequence"
    ).fetchall()
    only_there = {(s, b) for _, b, s in new if s is not None}
    connection.executemany(
        "INSERT INTO main.records (boot, sequence, kind, raw, flags, arrival_ns, struck_utc_ns,"
        " struck_u_ns, session) SELECT ?, sequence, kind, raw, flags, arrival_ns, struck_utc_ns,"
        " struck_u_ns, ? FROM other.records WHERE id = ?",
        ((boot, session, number) for number, boot, session in new),
    )
    if new:
        merging.added["records"] += len(new)
    return only_here & only_there


def _settle_record(merging: Merging, own: int, theirs: int) -> None:
    connection = merging.connection
    known = _record(merging, "main.records", own)
    said = merging.translated("records", _record(merging, "other.records", theirs))
    first, second = sorted(
        (known, said), key=lambda row: (order(row["struck_utc_ns"]), order(row["raw"]))
    )
    wanted = dict(first)
    if known["raw"] != said["raw"]:
        connection.execute(
            "INSERT OR IGNORE INTO main.clashes (boot, sequence, kind, raw, struck_utc_ns)"
            " VALUES (?, ?, ?, ?, ?)",
            [second[name] for name in ("boot", "sequence", "kind", "raw", "struck_utc_ns")],
        )
    else:
        # Better known comes first, and not known last.
        best = min(known, said, key=lambda row: [(row[n] is None, order(row[n])) for n in _TIMES])
        wanted.update({name: best[name] for name in _TIMES})
    wanted["session"] = _earlier_session(merging, known["session"], said["session"])
    changes = {name: value for name, value in wanted.items() if value != known[name]}
    if changes:
        merging.update("records", own, changes)


def _record(merging: Merging, records: str, number: int) -> Row:
    table = {"main.records": "main.records", "other.records": "other.records"}[records]
    cursor = merging.connection.execute(
        "SELECT boot, sequence, kind, raw, flags, arrival_ns, struck_utc_ns, struck_u_ns, session"
        f" FROM {table} WHERE id = ?",
        (number,),
    )
    names = [column[0] for column in cursor.description]
    return dict(zip(names, cursor.fetchone(), strict=True))


def _earlier_session(merging: Merging, one: Value, another: Value) -> Value:
    """Return the session that began first; a record belongs to one."""
    if one is None or another is None or one == another:
        return one if another is None else another
    return min(one, another, key=lambda session: _begin_of(merging, session))


def _begin_of(merging: Merging, session: Value) -> list[object]:
    row = merging.connection.execute(
        "SELECT started_utc_ns FROM main.sessions WHERE id = ?", (session,)
    ).fetchone()
    return [row[0], merging.rank("records", "session", session)]


def merge_clashes(merging: Merging) -> None:
    """Take in what was kept aside; what counts as the record itself is no clash."""
    connection = merging.connection
    cursor = connection.execute(
        "INSERT OR IGNORE INTO main.clashes (boot, sequence, kind, raw, struck_utc_ns)"
        " SELECT boot_ids.own_id, theirs.sequence, theirs.kind, theirs.raw, theirs.struck_utc_ns"
        " FROM other.clashes AS theirs JOIN boot_ids ON boot_ids.other_id = theirs.boot"
        " WHERE NOT EXISTS (SELECT 1 FROM main.records AS ours WHERE ours.boot = boot_ids.own_id"
        "  AND ours.sequence = theirs.sequence AND ours.raw = theirs.raw)"
        " ORDER BY boot_ids.own_id, theirs.sequence, theirs.raw"
    )
    if cursor.rowcount > 0:
        merging.added["clashes"] += cursor.rowcount
    connection.execute(
        "DELETE FROM main.clashes WHERE EXISTS (SELECT 1 FROM main.records AS ours"
        " WHERE ours.boot = clashes.boot AND ours.sequence = clashes.sequence"
        " AND ours.raw = clashes.raw)"
    )
