"""An evening of marks in a data file, with names that try to be more than names."""

import pytest

from logger.setfiles.clubs import Club, ClubSpec, SetFile
from logger.store.store import Store

# Monday 2024-01-01T12:00:00Z.
START_UTC_NS = 1_704_110_400 * 10**9
PLAYER = "<script>alert(1)</script> & =SUM(A1)"
FORMULA_CLUB = '=HYPERLINK("x")'


@pytest.fixture
def db(tmp_path):
    """Three clubs: one ordinary, one whose label is a formula, one never hit."""
    path = tmp_path / "evening.db"
    spec = ClubSpec(
        length_mm=939.8, lie_deg=62.0, loft_deg=31, camber_mm=300, camber_u_mm=5,
        sole_length_mm=78, head_material="forged",
    )  # fmt: skip
    other = ClubSpec(length_mm=952.5, lie_deg=61.5, bias=2.0, bias_unit="mm")
    with Store.open(path) as store:
        clubs = (Club(FORMULA_CLUB, other), Club("7i", spec), Club("PW", ClubSpec()))
        set_id = store.sets.import_file(
            SetFile(PLAYER, "right", "Weekend irons", "7i", 0.5, clubs), at_utc_ns=START_UTC_NS
        )
        ids = {club.label: club.id for club in store.sets.get(set_id).clubs}
        session = store.sessions.start(
            set_id, started_utc_ns=START_UTC_NS, stance_u_mm=1, sole_middle_u_mm=2, ball=True,
            surface="@range <i>mat</i>",
        )  # fmt: skip
        at = START_UTC_NS
        for label, places in (
            ("7i", [12.0, 14.5, 13.0, 11.5, 12.5, 13.5]),
            (FORMULA_CLUB, [-1.0, 0.5, 1.5, 60.0]),
        ):
            for toe in places:
                at += 20 * 10**9
                store.strikes.add_mark(session, ids[label], struck_utc_ns=at, toe_mm=toe, u_mm=0.5)
        store.strikes.take_back_last(session)
        store.sessions.end(session, ended_utc_ns=at + 60 * 10**9)
    return path


@pytest.fixture
def empty_session(db):
    """The same file with a second session in which nobody swung."""
    with Store.open(db) as store:
        store.sessions.start(
            store.sessions.all()[0].set, started_utc_ns=START_UTC_NS + 10**15, stance_u_mm=1,
            sole_middle_u_mm=2, ball=True,
        )  # fmt: skip
    return db


@pytest.fixture
def player():
    return PLAYER


@pytest.fixture
def formula_club():
    return FORMULA_CLUB
