"""Schema step for what leaves the data file: which sessions changed, and what a shop has."""

from __future__ import annotations

# Any change gives a session another stamp, so that whoever keeps a copy of it elsewhere sees by one
# number that it is out of date: also after a backup was put back, when a count would have gone
# back too and come up again with other content.
_STAMP = (
    "INSERT INTO session_stamps (session, stamp) SELECT id, random() FROM sessions WHERE {which}"
    " ON CONFLICT (session) DO UPDATE SET stamp = excluded.stamp"
)
_SET_OF_CLUB = '"set" IN (SELECT "set" FROM clubs WHERE id IN ({clubs}))'
# Say something of this very file; in another one it would be wrong.
OF_THIS_FILE = ("board_news", "forwarding", "forwarded_sessions", "gathering", "session_stamps")
# Table, event, the rows of ``sessions`` that it changes.
_CHANGES: list[tuple[str, str, str]] = [
    ("sessions", "INSERT", "id = NEW.id"),
    ("sessions", "UPDATE", "id = NEW.id"),
    ("sets", "UPDATE", '"set" = NEW.id'),
    ("players", "UPDATE", '"set" IN (SELECT id FROM sets WHERE player = NEW.id)'),
    ("clubs", "INSERT", '"set" = NEW."set"'),
    ("clubs", "UPDATE", '"set" = NEW."set"'),
    (
        "calibrations",
        "INSERT",
        "id IN (SELECT session FROM records WHERE boot IN"
        " (SELECT id FROM boots WHERE board = NEW.board))",
    ),
]
for _table in ("records", "strikes", "marks", "turns", "notes", "losses"):
    _CHANGES += [
        (_table, "INSERT", "id = NEW.session"),
        (_table, "UPDATE", "id IN (OLD.session, NEW.session)"),
        (_table, "DELETE", "id = OLD.session"),
    ]
for _table, _clubs in (
    ("club_specs", "{row}.club"),
    ("bends", "{row}.club"),
    ("misses", "{row}.club"),
    ("overlays", "{row}.first_club"),
):
    _CHANGES += [
        (_table, _event, _SET_OF_CLUB.format(clubs=_clubs.format(row=_row)))
        for _event, _row in (("INSERT", "NEW"), ("UPDATE", "NEW"), ("DELETE", "OLD"))
    ]

CARRY_TABLES = """
-- Changes with everything that a session rests on.
CREATE TABLE session_stamps (
  session INTEGER PRIMARY KEY REFERENCES sessions (id) ON DELETE CASCADE,
  stamp INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
INSERT INTO session_stamps (session, stamp) SELECT id, random() FROM sessions;

-- Where a session came from that was gathered from a bay.
CREATE TABLE session_origins (
  session INTEGER PRIMARY KEY REFERENCES sessions (id) ON DELETE CASCADE,
  shop TEXT NOT NULL,
  bay TEXT NOT NULL,
  -- goes up with each copy that the bay sends: an older one that comes late changes nothing
  edition INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- Bays that sent records of a boot.
CREATE TABLE boot_origins (
  boot INTEGER NOT NULL REFERENCES boots (id),
  shop TEXT NOT NULL,
  bay TEXT NOT NULL,
  PRIMARY KEY (boot, shop, bay)
) STRICT, WITHOUT ROWID;

-- What a shop has confirmed to have on its disk.
CREATE TABLE forwarding (
  shop TEXT PRIMARY KEY NOT NULL,
  -- every record up to and including this row of ``records``
  records_up_to INTEGER NOT NULL,
  -- of the latest copy of a session that was sent
  edition INTEGER NOT NULL,
  -- names the shop's data file: with another one everything is sent again
  shop_file TEXT
) STRICT, WITHOUT ROWID;
CREATE TABLE forwarded_sessions (
  shop TEXT NOT NULL REFERENCES forwarding (shop) ON DELETE CASCADE,
  session INTEGER NOT NULL REFERENCES sessions (id) ON DELETE CASCADE,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (shop, session)
) STRICT, WITHOUT ROWID;

-- One row: names this data file.
CREATE TABLE gathering (
  id INTEGER PRIMARY KEY CHECK (id = 1),
  file_key TEXT NOT NULL
) STRICT, WITHOUT ROWID;
"""

CARRY_TRIGGERS = "\n".join(
    f"CREATE TRIGGER stamp_{table}_{event.split()[0].lower()} AFTER {event} ON {table}"
    f" BEGIN {_STAMP.format(which=which)}; END;"
    for table, event, which in _CHANGES
)
