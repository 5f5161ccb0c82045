"""Schema step for what a person corrects: acts, which are only ever added, and what they need."""

from __future__ import annotations

from logger.store.schema import VIEWS_1

# Rows that an act can take back: they stay, and say that they do not count.
TAKEN_BACK = (
    "sessions", "players", "marks", "notes", "bends", "overlays", "misses", "club_specs",
    "calibrations",
)  # fmt: skip

ACT_TABLES = """
-- What a person said to correct what is stored. Never changed and never removed.
CREATE TABLE acts (
  id INTEGER PRIMARY KEY,
  -- random: names the act in any data file
  act_key TEXT NOT NULL UNIQUE,
  said_utc_ns INTEGER NOT NULL,
  -- where it was said, such as terminal or page
  place TEXT NOT NULL,
  kind TEXT NOT NULL,
  -- one line for a person
  words TEXT NOT NULL,
  -- the act that this one takes back; NULL = it says something itself
  takes_back TEXT
) STRICT;
CREATE INDEX acts_by_what_they_take_back ON acts (takes_back);

-- What an act says of one thing: of a field of a row, or of records of a boot.
CREATE TABLE act_parts (
  id INTEGER PRIMARY KEY,
  act INTEGER NOT NULL REFERENCES acts (id),
  part INTEGER NOT NULL,
  -- name of a table; with what follows it names the row (logger.store.acts.NAMES)
  about TEXT NOT NULL,
  session INTEGER REFERENCES sessions (id),
  club INTEGER REFERENCES clubs (id),
  boot INTEGER REFERENCES boots (id),
  board INTEGER REFERENCES boards (id),
  player INTEGER REFERENCES players (id),
  -- the row's moment, UTC ns; of strikes their records at to to_at
  at INTEGER NOT NULL,
  to_at INTEGER,
  -- counts rows of one moment
  within INTEGER NOT NULL,
  field TEXT NOT NULL,
  -- JSON: what holds from now on, and what held before
  value TEXT,
  was TEXT,
  to_session INTEGER REFERENCES sessions (id),
  to_club INTEGER REFERENCES clubs (id),
  to_set INTEGER REFERENCES sets (id),
  was_set INTEGER REFERENCES sets (id),
  UNIQUE (act, part)
) STRICT;
CREATE INDEX act_parts_by_row ON act_parts (about, at, field);
CREATE INDEX act_parts_by_boot ON act_parts (boot, at);
CREATE INDEX act_parts_by_session ON act_parts (session);
CREATE INDEX act_parts_by_club ON act_parts (club);
CREATE INDEX act_parts_by_target ON act_parts (to_session);

-- Calibrations were only added until now.
CREATE TRIGGER stamp_calibrations_update AFTER UPDATE ON calibrations BEGIN
  INSERT INTO session_stamps (session, stamp) SELECT id, random() FROM sessions WHERE id IN
    (SELECT session FROM records WHERE boot IN (SELECT id FROM boots WHERE board = NEW.board))
    ON CONFLICT (session) DO UPDATE SET stamp = excluded.stamp;
END;
""" + "".join(
    f"ALTER TABLE {table} ADD COLUMN gone INTEGER NOT NULL DEFAULT 0 CHECK (gone IN (0, 1));\n"
    for table in TAKEN_BACK
)

# Names of views, newest dependants first.
_VIEWS = ("board_list", "club_summary", "contact_counts", "strike_list", "contacts")
_NOT_GONE = {
    "  FROM marks;": "  FROM marks WHERE NOT gone;",
    "JOIN sessions ON sessions.id = contacts.session": (
        "JOIN sessions ON sessions.id = contacts.session AND NOT sessions.gone"
    ),
    "JOIN sessions ON sessions.id = counts.session": (
        "JOIN sessions ON sessions.id = counts.session AND NOT sessions.gone"
    ),
    # One number for a person, whatever shows the strike.
    'SELECT players.name AS player, sets.name AS "set", contacts.session, clubs.label AS club,': (
        'SELECT players.name AS player, sets.name AS "set", contacts.session, contacts.number,'
        " clubs.label AS club,"
    ),
    "  FROM contacts\n  JOIN sessions": "  FROM numbered_contacts AS contacts\n  JOIN sessions",
}


def _views() -> str:
    made = VIEWS_1
    for before, after in _NOT_GONE.items():
        if before not in made:
            raise AssertionError(before)
        made = made.replace(before, after)
    return made


ACT_VIEWS = (
    "".join(f"DROP VIEW {name};\n" for name in _VIEWS)
    + _views()
    + """
-- Contacts of a session in the order they were struck: 1, 2, ...
CREATE VIEW numbered_contacts AS
  SELECT *, ROW_NUMBER() OVER (PARTITION BY session ORDER BY struck_utc_ns, source, id) AS number
  FROM contacts;
"""
)
