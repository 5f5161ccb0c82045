"""Some weeks of an invented player's marks in a data file."""

import numpy as np
import pytest

from logger.setfiles.clubs import Club, ClubSpec, SetFile
from logger.store.store import Store

LABELS = ["4i", "5i", "6i", "7i", "8i", "9i", "PW"]
# Monday 2024-01-01T12:00:00Z.
START_UTC_NS = 1_704_110_400 * 10**9
DAY_NS = 86_400 * 10**9
RADIUS_MM = 300.0


@pytest.fixture
def weeks(tmp_path):
    """Fill a data file with weekly sessions; returns its path.

    ``lies``: true lie errors, degrees, shape (n_sessions, n_clubs); ``counts``: swings of each
    session; ``bends``: (club column, session before which, size).
    """

    def make(lies, *, counts=None, bends=(), name="Robin Ashdown", seed=1):
        rng = np.random.default_rng(seed)
        path = tmp_path / "weeks.db"
        lies = np.asarray(lies, dtype=float)
        labels = LABELS[: lies.shape[1]]
        specs = [
            ClubSpec(length_mm=965 - 13 * i, lie_deg=60.5 + 0.5 * i, camber_mm=RADIUS_MM,
                     camber_u_mm=5, loft_deg=24 + 4 * i, head_material="forged")
            for i in range(len(labels))
        ]  # fmt: skip
        clubs = tuple(Club(label, spec) for label, spec in zip(labels, specs, strict=True))
        with Store.open(path) as store:
            set_id = store.sets.import_file(
                SetFile(name, "right", "Weekend irons", labels[-1], 0.5, clubs),
                at_utc_ns=START_UTC_NS - DAY_NS,
            )
            ids = [club.id for club in store.sets.get(set_id).clubs]
            for week, row in enumerate(lies):
                at = START_UTC_NS + 7 * week * DAY_NS
                for column, before, size in bends:
                    if before == week:
                        store.readings.add_bend(
                            ids[column], bent_utc_ns=at - DAY_NS,
                            lie_before_deg=62.0, lie_after_deg=62.0 + size,
                        )  # fmt: skip
                session = store.sessions.start(
                    set_id, started_utc_ns=at, stance_u_mm=1.0, sole_middle_u_mm=5.0, ball=True
                )
                for column, lie in enumerate(row):
                    swings = 8 if counts is None else counts[week]
                    middle = -RADIUS_MM * np.tan(np.radians(lie))
                    for swing, toe in enumerate(rng.normal(middle, 3.0, swings)):
                        store.strikes.add_mark(
                            session, ids[column], toe_mm=round(float(toe), 1), u_mm=0.5,
                            struck_utc_ns=at + (60 * column + swing) * 10**9,
                        )  # fmt: skip
                store.sessions.end(session, ended_utc_ns=at + 3600 * 10**9)
        return path

    return make
