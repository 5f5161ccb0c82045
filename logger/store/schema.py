"""Tables and views of the data file, as first written.

Never edit a step that was once released: add the next one in `logger.store.migrations`.
``*_utc_ns`` are nanoseconds since 1970-01-01 UTC; the views show them as ISO 8601 text.
"""

from __future__ import annotations

TABLES_1 = """
CREATE TABLE players (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL COLLATE NOCASE UNIQUE,
  hand TEXT NOT NULL CHECK (hand IN ('right', 'left')),
  note TEXT
) STRICT;

CREATE TABLE sets (
  id INTEGER PRIMARY KEY,
  player INTEGER NOT NULL REFERENCES players (id),
  name TEXT NOT NULL COLLATE NOCASE,
  pivot_club INTEGER REFERENCES clubs (id),
  machine_increment_deg REAL,
  UNIQUE (player, name)
) STRICT;

CREATE TABLE clubs (
  id INTEGER PRIMARY KEY,
  "set" INTEGER NOT NULL REFERENCES sets (id),
  label TEXT NOT NULL COLLATE NOCASE,
  -- NULL once the club is no longer in the set; its strikes stay
  position INTEGER,
  UNIQUE ("set", label)
) STRICT;

-- Dated history. NULL = not changed at that date; the latest value of each group counts.
CREATE TABLE club_specs (
  id INTEGER PRIMARY KEY,
  club INTEGER NOT NULL REFERENCES clubs (id),
  from_utc_ns INTEGER NOT NULL,
  source TEXT NOT NULL,
  length_mm REAL,
  lie_deg REAL,
  loft_deg REAL,
  bounce_deg REAL,
  camber_mm REAL,
  camber_u_mm REAL,
  sole_length_mm REAL,
  head_material TEXT,
  bias REAL,
  bias_unit TEXT CHECK (bias_unit IN ('mm', 'deg', 'm'))
) STRICT;
CREATE INDEX club_specs_by_club ON club_specs (club, from_utc_ns, id);

CREATE TABLE boards (
  id INTEGER PRIMARY KEY,
  board_key TEXT NOT NULL UNIQUE,
  form TEXT NOT NULL CHECK (form IN ('binary', 'text')),
  name TEXT NOT NULL,
  first_seen_utc_ns INTEGER NOT NULL,
  -- NULL = not judged yet, 1 = good enough to fit with, 0 = not
  accepted INTEGER CHECK (accepted IN (0, 1)),
  accepted_utc_ns INTEGER
) STRICT;

CREATE TABLE boots (
  id INTEGER PRIMARY KEY,
  board INTEGER NOT NULL REFERENCES boards (id),
  boot_key TEXT NOT NULL,
  first_seen_utc_ns INTEGER NOT NULL,
  -- JSON object of the last hello of this boot; NULL for a text board
  hello TEXT,
  UNIQUE (board, boot_key)
) STRICT;

CREATE TABLE sessions (
  id INTEGER PRIMARY KEY,
  "set" INTEGER NOT NULL REFERENCES sets (id),
  hand TEXT NOT NULL CHECK (hand IN ('right', 'left')),
  -- positive = feet lower than the board's surface
  stance_mm REAL NOT NULL,
  stance_u_mm REAL NOT NULL,
  -- address mark, board frame: where the middle of the sole should pass
  sole_middle_mm REAL NOT NULL,
  sole_middle_u_mm REAL NOT NULL,
  ball INTEGER NOT NULL CHECK (ball IN (0, 1)),
  surface TEXT,
  machine_increment_deg REAL,
  started_utc_ns INTEGER NOT NULL,
  ended_utc_ns INTEGER,
  note TEXT
) STRICT;
CREATE INDEX sessions_by_set ON sessions ("set", started_utc_ns);

-- Which club is up from when; club NULL = none.
CREATE TABLE turns (
  id INTEGER PRIMARY KEY,
  session INTEGER NOT NULL REFERENCES sessions (id),
  club INTEGER REFERENCES clubs (id),
  from_utc_ns INTEGER NOT NULL,
  cause TEXT NOT NULL
) STRICT;
CREATE INDEX turns_by_session ON turns (session, from_utc_ns, id);

-- What the board sent, untouched. raw = each body after its length (u16, little-endian).
CREATE TABLE records (
  id INTEGER PRIMARY KEY,
  boot INTEGER NOT NULL REFERENCES boots (id),
  sequence INTEGER NOT NULL,
  kind TEXT NOT NULL CHECK (kind IN ('reading', 'strike', 'button')),
  raw BLOB NOT NULL,
  flags INTEGER NOT NULL,
  -- the host's monotonic clock: only differences within one run mean something
  arrival_ns INTEGER NOT NULL,
  struck_utc_ns INTEGER,
  struck_u_ns INTEGER,
  session INTEGER REFERENCES sessions (id),
  UNIQUE (boot, sequence)
) STRICT;
CREATE INDEX records_by_session ON records (session, boot, sequence);

-- Other bytes under a name that was taken already: kept aside, never dropped.
CREATE TABLE clashes (
  id INTEGER PRIMARY KEY,
  boot INTEGER NOT NULL REFERENCES boots (id),
  sequence INTEGER NOT NULL,
  kind TEXT NOT NULL,
  raw BLOB NOT NULL,
  struck_utc_ns INTEGER,
  UNIQUE (boot, sequence, raw)
) STRICT;

-- Contacts worked out from records; rebuilt at will, but fitter_* is a person's word and stays.
CREATE TABLE strikes (
  id INTEGER PRIMARY KEY,
  session INTEGER NOT NULL REFERENCES sessions (id),
  club INTEGER REFERENCES clubs (id),
  boot INTEGER NOT NULL REFERENCES boots (id),
  first_sequence INTEGER NOT NULL,
  last_sequence INTEGER NOT NULL,
  -- counts the contacts that begin in one and the same record: 0, 1, ...
  within INTEGER NOT NULL,
  struck_utc_ns INTEGER NOT NULL,
  kind TEXT NOT NULL,
  toe_mm REAL,
  board_mm REAL,
  trail_mm REAL,
  load REAL,
  span_us REAL,
  flags INTEGER NOT NULL,
  method_version TEXT NOT NULL,
  -- why a rule set it aside; NULL = it counts
  rule_reason TEXT,
  -- the fitter's word outweighs the rule's
  fitter_choice TEXT CHECK (fitter_choice IN ('use', 'aside')),
  fitter_reason TEXT,
  UNIQUE (boot, first_sequence, within)
) STRICT;
CREATE INDEX strikes_by_session ON strikes (session, club, struck_utc_ns);

-- Read off the sole and typed in.
CREATE TABLE marks (
  id INTEGER PRIMARY KEY,
  session INTEGER NOT NULL REFERENCES sessions (id),
  club INTEGER NOT NULL REFERENCES clubs (id),
  struck_utc_ns INTEGER NOT NULL,
  toe_mm REAL NOT NULL,
  trail_mm REAL,
  u_mm REAL NOT NULL,
  -- the board's strike of the same swing, in a paired audit
  audits INTEGER REFERENCES strikes (id) ON DELETE SET NULL,
  fitter_choice TEXT CHECK (fitter_choice IN ('use', 'aside')),
  fitter_reason TEXT
) STRICT;
CREATE INDEX marks_by_session ON marks (session, club, struck_utc_ns);
CREATE INDEX marks_by_strike ON marks (audits);

CREATE TABLE bends (
  id INTEGER PRIMARY KEY,
  club INTEGER NOT NULL REFERENCES clubs (id),
  session INTEGER REFERENCES sessions (id),
  bent_utc_ns INTEGER NOT NULL,
  -- positive = more upright; NULL = not asked for by a bend sheet
  planned_bend_deg REAL,
  lie_before_deg REAL,
  lie_after_deg REAL,
  loft_before_deg REAL,
  loft_after_deg REAL,
  note TEXT
) STRICT;
CREATE INDEX bends_by_club ON bends (club, bent_utc_ns);

CREATE TABLE notes (
  id INTEGER PRIMARY KEY,
  session INTEGER NOT NULL REFERENCES sessions (id),
  written_utc_ns INTEGER NOT NULL,
  text TEXT NOT NULL
) STRICT;
CREATE INDEX notes_by_session ON notes (session, written_utc_ns);

-- Records that exist nowhere any more, so that nobody takes silence for no strike.
CREATE TABLE losses (
  id INTEGER PRIMARY KEY,
  boot INTEGER NOT NULL REFERENCES boots (id),
  session INTEGER REFERENCES sessions (id),
  club INTEGER REFERENCES clubs (id),
  from_sequence INTEGER,
  to_sequence INTEGER,
  count INTEGER NOT NULL CHECK (count > 0),
  reason TEXT NOT NULL,
  noted_utc_ns INTEGER NOT NULL,
  UNIQUE (boot, from_sequence, to_sequence)
) STRICT;
CREATE INDEX losses_by_session ON losses (session, club);
"""


def _iso(column: str) -> str:
    """Make the SQL that shows a nanosecond column as ISO 8601 with milliseconds."""
    return (
        f"strftime('%Y-%m-%dT%H:%M:%S', {column} / 1000000000, 'unixepoch')"
        f" || printf('.%03dZ', ({column} / 1000000) % 1000)"
    )


VIEWS_1 = f"""
-- Board strikes and marks in one shape.
CREATE VIEW contacts AS
  SELECT 'board' AS source, id, session, club, boot, first_sequence, last_sequence, struck_utc_ns,
    kind, toe_mm, NULL AS toe_u_mm, board_mm, trail_mm, load, span_us, flags, method_version,
    NULL AS audits, rule_reason, fitter_choice, fitter_reason,
    CASE WHEN fitter_choice = 'use' THEN NULL WHEN fitter_choice = 'aside' THEN 'fitter'
      WHEN rule_reason IS NOT NULL THEN 'rule' END AS set_aside
  FROM strikes
  UNION ALL
  SELECT 'mark', id, session, club, NULL, NULL, NULL, struck_utc_ns,
    'mark', toe_mm, u_mm, NULL, trail_mm, NULL, NULL, 0, 'read by eye',
    audits, NULL, fitter_choice, fitter_reason,
    CASE WHEN fitter_choice = 'aside' THEN 'fitter' END
  FROM marks;

CREATE VIEW strike_list AS
  SELECT players.name AS player, sets.name AS "set", contacts.session, clubs.label AS club,
    {_iso("contacts.struck_utc_ns")} AS struck_utc, contacts.source, contacts.kind,
    contacts.toe_mm, contacts.trail_mm, contacts.board_mm,
    CASE WHEN contacts.set_aside IS NULL THEN 'yes' ELSE 'no' END AS used,
    contacts.set_aside AS set_aside_by,
    CASE contacts.set_aside WHEN 'fitter' THEN contacts.fitter_reason
      WHEN 'rule' THEN contacts.rule_reason END AS reason,
    contacts.load, contacts.span_us, contacts.method_version
  FROM contacts
  JOIN sessions ON sessions.id = contacts.session
  JOIN sets ON sets.id = sessions."set"
  JOIN players ON players.id = sets.player
  LEFT JOIN clubs ON clubs.id = contacts.club
  ORDER BY contacts.session, contacts.struck_utc_ns, contacts.source, contacts.id;

CREATE VIEW contact_counts AS
  SELECT session, club, source, SUM(used) AS used, SUM(set_aside) AS set_aside, SUM(lost) AS lost
  FROM (
    SELECT session, club, source, set_aside IS NULL AS used, set_aside IS NOT NULL AS set_aside,
      0 AS lost
    FROM contacts
    UNION ALL
    SELECT session, club, 'board', 0, 0, count FROM losses WHERE session IS NOT NULL
  )
  GROUP BY session, club, source;

-- The spread is the mean distance from the mean: SQLite need not have a square root.
CREATE VIEW club_summary AS
  WITH used AS (
    SELECT session, club, source, toe_mm,
      AVG(toe_mm) OVER (PARTITION BY session, club, source) AS middle
    FROM contacts WHERE set_aside IS NULL AND toe_mm IS NOT NULL
  ), places AS (
    SELECT session, club, source, AVG(toe_mm) AS mean_toe_mm,
      AVG(ABS(toe_mm - middle)) AS mean_distance_mm,
      MIN(toe_mm) AS least_toe_mm, MAX(toe_mm) AS greatest_toe_mm
    FROM used GROUP BY session, club, source
  )
  SELECT players.name AS player, sets.name AS "set", counts.session,
    {_iso("sessions.started_utc_ns")} AS started_utc,
    clubs.label AS club, counts.source, counts.used, counts.set_aside, counts.lost,
    places.mean_toe_mm, places.mean_distance_mm, places.least_toe_mm, places.greatest_toe_mm
  FROM contact_counts AS counts
  JOIN sessions ON sessions.id = counts.session
  JOIN sets ON sets.id = sessions."set"
  JOIN players ON players.id = sets.player
  LEFT JOIN clubs ON clubs.id = counts.club
  LEFT JOIN places ON places.session = counts.session AND places.club IS counts.club
    AND places.source = counts.source
  ORDER BY counts.session, clubs.position, counts.source;

CREATE VIEW board_list AS
  SELECT boards.name AS board, boards.board_key, boards.form, boots.boot_key,
    {_iso("boots.first_seen_utc_ns")} AS first_seen_utc,
    json_extract(boots.hello, '$.rows') AS rows, json_extract(boots.hello, '$.cells') AS cells,
    json_extract(boots.hello, '$.pitch_um') / 1000.0 AS pitch_mm,
    json_extract(boots.hello, '$.tick_hz') AS tick_hz,
    (SELECT COUNT(*) FROM records WHERE records.boot = boots.id) AS records,
    (SELECT COALESCE(SUM(losses.count), 0) FROM losses WHERE losses.boot = boots.id) AS lost
  FROM boots JOIN boards ON boards.id = boots.board
  ORDER BY boots.first_seen_utc_ns, boots.id;
"""
