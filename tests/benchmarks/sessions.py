"""Whole sessions, from a board's bytes to lie errors and bends, against the truth.

    python tests/benchmarks/sessions.py [--sessions 20] [--swings 8]

A simulated player (mishits, waggles, resting heads, feet, bounces, fatigue) hits eight worn, uneven
soles on a strip with uneven cells, on virtual time. The bytes go through the logger's own decoder,
sorting, store and evidence. What is scored: strikes told from everything else, lie errors against
the player's true mean delivery of each club in that session, the coverage of the 90 % intervals,
and bends.
Cambers in the set are the true ones with the stated uncertainty added by chance. Last line: JSON.
"""

from __future__ import annotations

import argparse
import json
import struct
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

from logger.collector.recording import BoardIdentity, TimedRecord
from logger.protocol.decoding import Decoder
from logger.protocol.records import Hello, RawRecord, Strike
from logger.session.evidence.evidence import session_picture
from logger.session.logging.fitting import FittingSession
from logger.session.results.planning import bend_plan
from logger.setfiles.clubs import Club, ClubSpec, SetFile
from logger.store.store import Store
from simulators import encode
from simulators.board import Board
from simulators.board_options import BoardOptions
from simulators.clubs import default_set
from simulators.player import Player, schedule

CAMBER_U_MM = 6.0
STEP_NS = 50_000_000


def set_file(clubs, rng):
    return SetFile(
        player="Jo Marrow", hand="right", name="bench", pivot_label="7i", machine_increment_deg=0.5,
        clubs=tuple(
            Club(c.label, ClubSpec(
                length_mm=c.length_mm, lie_deg=c.lie_deg, loft_deg=c.loft_deg,
                camber_mm=c.sole.camber_mm + rng.normal(0.0, CAMBER_U_MM), camber_u_mm=CAMBER_U_MM,
                sole_length_mm=c.sole.length_mm, head_material="forged"))
            for c in clubs
        ),
    )  # fmt: skip


def play(store, session, clubs, rng, swings):
    """Run one session on virtual time; return the board's truth, in order."""
    truth = []
    board = Board(rng, BoardOptions(), truth.append)
    board.play(schedule(rng, Player(), clubs, swings, pace_ns=20_000_000_000), 1_000_000_000)
    decoder = Decoder()
    boot = None
    start_utc_ns = session.row.started_utc_ns
    board.receive(encode.frame(encode.ASK_HELLO, bytes([1, 0])))
    while board.busy or boot is None:
        due = board.next_event_ns()
        wait_ns = STEP_NS if due is None else max(due - board.now_ns, 1)
        data = board.advance(min(wait_ns, 10 * STEP_NS))
        records = []
        for item in decoder.feed(data, board.now_ns):
            if isinstance(item, Hello):
                if boot is None:
                    identity = BoardIdentity(item.board_id, f"{item.boot_id:08x}", "bench", item)
                    boot = session.begin_boot(identity, start_utc_ns).boot_row
                    tick_hz = item.tick_hz
            elif isinstance(item, RawRecord):
                records.append(item)
        timed = []
        for raw in records:
            record = raw.record
            ticks = int(record.scan_ticks[-1]) if isinstance(record, Strike) else record.ticks
            utc_ns = start_utc_ns + ticks * 1_000_000_000 // tick_hz
            timed.append(TimedRecord(record.sequence, raw, utc_ns, 1_000_000))
        if timed:
            session.store_records(boot, timed)
            session.file(boot, timed)
            boot_id = store.hello_of(boot).boot_id
            board.receive(
                encode.frame(encode.CONFIRM, struct.pack("<II", boot_id, timed[-1].sequence))
            )
    return truth


def score(store, session, clubs, truth, tally):
    """Add one session to the tally."""
    true_kind = {t["sequence"]: t["kind"] for t in truth if t["sequence"] is not None}
    for contact in store.contacts(session.row.id):
        tally["sorted"][true_kind.get(contact.first_sequence, "nothing"), contact.kind] += 1
    picture = session_picture(store, session.row)
    plan = bend_plan(store, session.row, picture)
    together = picture.together
    assert together is not None
    struck = [t for t in truth if t["kind"] == "strike"]
    fresh = {club.label: club.lie_error_deg for club in clubs}
    for place, (one, row) in enumerate(zip(picture.clubs, plan.rows, strict=True)):
        # The club's own mean under this player: one by one as tired as he was with it, as a set as
        # tired as he was in the middle of the session.
        own = [n for n, t in enumerate(struck) if t["club"] == one.club.label]
        tired = Player().fatigue_deg / 100
        alone = fresh[one.club.label] + tired * float(np.mean(own))
        mean = fresh[one.club.label] + tired * len(struck) / 2
        tally["errors"].append(together.mean_deg[place] - mean)
        low, high = together.low_deg[place], together.high_deg[place]
        tally["covered"].append(low <= mean <= high)
        tally["half"].append((high - low) / 2)
        if one.lie is not None:
            tally["alone"].append(one.lie.lie_error_deg - alone)
            interval = one.lie.interval_deg
            tally["alone_covered"].append(interval.low <= alone <= interval.high)
            tally["level"][one.lie.level_source.value] += 1
        if row.bend_deg:
            tally["bends"] += 1
            tally["wrong"] += abs(mean + row.bend_deg) > abs(mean) + 0.5
            tally["worse"] += abs(mean + row.bend_deg) > abs(mean)
        tally["needed"] += abs(mean) > 0.5
    tally["outlier_named"] += together.outliers() == ("6i",)


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--sessions", type=int, default=20)
    options.add_argument("--swings", type=int, default=8)
    asked = options.parse_args()
    tally = {"sorted": Counter(), "errors": [], "covered": [], "half": [], "alone": [],
             "alone_covered": [], "level": Counter(), "bends": 0, "wrong": 0, "worse": 0,
             "needed": 0, "outlier_named": 0}  # fmt: skip
    began = time.perf_counter()
    for seed in range(asked.sessions):
        rng = np.random.default_rng(10_000 + seed)
        clubs = default_set()
        order = sorted(clubs, key=lambda c: c.label != "7i")
        with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "d.db") as store:
            start_ns = 1_780_000_000_000_000_000
            set_id = store.import_set(set_file(clubs, rng), at_utc_ns=start_ns)
            row = store.start_session(
                set_id, started_utc_ns=start_ns, stance_u_mm=1.0, sole_middle_u_mm=5.0, ball=True
            )
            session = FittingSession(store, row)
            session.step_club(0, start_ns, cause="start")
            truth = play(store, session, order, rng, asked.swings)
            score(store, session, clubs, truth, tally)
        print(f"session {seed}: {len(tally['errors'])} clubs so far", file=sys.stderr)
    print_tally(tally, asked, time.perf_counter() - began)


def print_tally(tally, asked, seconds) -> None:
    sorted_counts = tally["sorted"]
    strikes = sum(n for (true, _), n in sorted_counts.items() if true == "strike")
    others = {key: n for key, n in sorted_counts.items() if key[0] != "strike"}
    mistaken = sum(n for (_, seen), n in others.items() if seen == "strike")
    for (true, seen), n in sorted(sorted_counts.items()):
        print(f"  {true:>8} seen as {seen}: {n}")
    errors, alone = np.array(tally["errors"]), np.array(tally["alone"])
    print(json.dumps({
        "sessions": asked.sessions,
        "swings_per_club": asked.swings,
        "strikes_recognised": round(sorted_counts["strike", "strike"] / strikes, 4),
        "others_taken_for_strikes": round(mistaken / sum(others.values()), 4),
        "lie_rms_error_deg": round(float(np.sqrt(np.mean(errors**2))), 3),
        "lie_bias_deg": round(float(errors.mean()), 3),
                "club_by_club_rms_error_deg": round(float(np.sqrt(np.mean(alone**2))), 3),
                "club_by_club_coverage_90": round(float(np.mean(tally["alone_covered"])), 3),
        "coverage_90": round(float(np.mean(tally["covered"])), 3),
        "half_width_deg": round(float(np.mean(tally["half"])), 3),
        "level": dict(tally["level"]),
        "clubs_off_by_half_a_degree": tally["needed"],
        "bends": tally["bends"],
        "bends_that_worsen": tally["worse"],
        "bends_that_worsen_by_half_a_degree": tally["wrong"],
        "sessions_where_just_the_odd_club_is_named": tally["outlier_named"],
        "seconds": round(seconds, 1),
    }))  # fmt: skip


if __name__ == "__main__":
    main()
