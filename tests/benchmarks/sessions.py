"""Whole fitting sessions, from a board's records to lie errors, decisions and bends.

    python tests/benchmarks/sessions.py [--sessions 300] [--seed 0] [--world second] [--jobs 2]
    python tests/benchmarks/sessions.py --dump peaks.npz --sessions 20

``second`` (the usual) is `second_world`: soles that are no circles, layered covers, players off the
mark, drawn by hands that wrote neither the engine nor ``simulators/``. Its faults and their sizes
are listed there; ``--faults 1.5`` makes cells, cover, lag, scatter and marks worse by half, beyond
what anything was judged in. What a set file and a player state in it is true within what it says
of itself.
``first`` is the simulated board of ``simulators/`` (feet, waggles, resting heads, fatigue).

The records go through the product's decoder, sorting, store, evidence and bend plan; `ask_engine`
is all that knows how the engine is asked. What is scored, each with its standard error (sessions
as clusters):

- lie error of each club from a level stance against the player's true mean delivery: rms, share of
  90 % intervals that hold, mean and median half-width;
- the session's level, which is the mean lie error of its clubs: rms, and rms over what is stated
  (z);
- gaps, which are errors less the session's level, beside gaps from plain means of the contacts as
  read (camber as stated, else 300 mm);
- bends: how many make a club worse by any amount, how many sets get worse, rms left over the rms
  that an oracle leaves which knows the truth and keeps the same steps and head limits;
- clubs 1.5 to 2.5 degrees off the line of their set that are named, and others that are (a club
  1 degree off by itself is no false alarm);
- of clubs told to be hit N times more: how many are decided after N more (every third session goes
  on); of clubs within 0.3 degrees with both ends in print after at most 12 swings: how many are
  left alone;
- three marks read off the pivot's sole (1 mm), and one head rocked to 3 % where none was, against
  the same sessions without (every fourth session each).

Strata but for ``all`` and ``stance_not_told`` are of sessions whose stance was told; ``ends_...``
goes by what presses above a tenth of the peak, ``level_claimed`` by a stated level of 0.6 degrees
(one sigma) or better. The last line is JSON: each value ``is`` with its
standard error ``se``.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing
import os
import struct
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from second_world import MOST_SWINGS, Session, draw_session
from second_world.filing import add_marks, file_session, log_records

from analysis.board.response_law import ResponseLaw
from analysis.plan.heads import HEAD_LIMITS, Head
from analysis.plan.types import Choice
from logger.collector.recording import BoardIdentity, TimedRecord
from logger.protocol.decoding import Decoder
from logger.protocol.records import Hello, RawRecord, Strike
from logger.session.logging.cell_calibration import keep_law
from logger.session.logging.fitting import FittingSession
from logger.session.results.clubs import session_results
from logger.setfiles.clubs import Club, ClubSpec, SetFile
from logger.store.rows import SessionRow
from logger.store.store import Store
from simulators import encode
from simulators.board import Board
from simulators.board_options import BoardOptions
from simulators.clubs import default_set
from simulators.player import Player, schedule

_HEADS = {"forged": Head.SOFT_FORGED, "cast": Head.CAST, "unknown": Head.HARD_OR_UNKNOWN}
_STEP_DEG = 0.25
# More swings than a person hits with one club are no help, whatever they would do.
_MOST_MORE = 40
_PLAIN_CAMBER_MM = 300.0
# A level stated to be known less well than this says nothing that one would bend by.
_CLAIMED_U_DEG = 0.75


# -- the engine -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class ClubAnswer:
    """What the product says of one club."""

    label: str
    lie_error_deg: float
    low_deg: float
    high_deg: float
    """90 % interval; infinite where no level is claimed."""
    decision: str
    """``bend``, ``leave``, ``hit`` (more) or ``cannot``."""
    bend_deg: float
    more_swings: int
    """0 unless the decision is ``hit``."""
    is_named_outlier: bool


@dataclass(frozen=True)
class Answer:
    """What the product says of a session; clubs that were hit, in the order of the set."""

    clubs: tuple[ClubAnswer, ...]
    level_u_deg: float
    """Standard deviation of the mean lie error of these clubs, as stated."""


_DECISIONS = {
    Choice.BEND: "bend",
    Choice.LEAVE: "leave",
    Choice.HIT: "hit",
    Choice.CANNOT_TELL: "cannot",
}


def ask_engine(store: Store, row: SessionRow) -> Answer:
    """Ask the product what it makes of a session.

    The one place that knows how the engine is asked.
    """
    results = session_results(store, row)
    picture, plan, together = results.picture, results.plan, results.picture.together
    assert together is not None
    assert plan is not None
    named = together.outliers()
    hit = [i for i, one in enumerate(picture.clubs) if one.used]
    clubs = []
    for i in hit:
        one, decided = picture.clubs[i], results.clubs[i].decision
        decision = _DECISIONS[decided.choice]
        clubs.append(
            ClubAnswer(
                label=one.club.label,
                lie_error_deg=float(together.mean_deg[i]),
                low_deg=float(together.low_deg[i]),
                high_deg=float(together.high_deg[i]),
                decision=decision,
                bend_deg=decided.bend_deg,
                more_swings=decided.more_swings,
                is_named_outlier=one.club.label in named,
            )
        )
    covariance = together.covariance_deg2[np.ix_(hit, hit)]
    return Answer(tuple(clubs), float(np.sqrt(covariance.mean())) if hit else math.inf)


# -- one session of the second world --------------------------------------------------------------


@dataclass
class Played:
    """What came of one session: rows of plain values."""

    facts: dict[str, object]
    """Of the session, for strata."""
    clubs: list[dict[str, object]]
    sorted: Counter[tuple[str, str]]
    seconds: float
    """Of processor time for one answer."""
    run_on: list[tuple[int, bool]]
    """(N, decided within N) of clubs told to be hit more."""
    marked: tuple[list[dict[str, object]], list[dict[str, object]]] | None = None
    rocked: tuple[list[dict[str, object]], list[dict[str, object]]] | None = None


@contextmanager
def data_file() -> Iterator[tuple[Store, Path]]:
    """Open a data file of its own, where files are in memory if there is such a place."""
    memory = Path("/dev/shm")
    with (
        tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder,
        Store.open(Path(folder) / "d.db") as store,
    ):
        yield store, Path(folder)


def play_second(seed: int, faults: float = 1.0) -> Played | None:
    """Draw a session, file it and ask; None if no club was hit."""
    session = draw_session(seed, faults=faults)
    with data_file() as (store, folder):
        row = file_session(store, session, folder=folder)
        began = time.process_time()
        answer = ask_engine(store, row)
        seconds = time.process_time() - began
        if not answer.clubs:
            return None
        kinds = {s.sequence: s.kind for s in session.strikes}
        contacts = store.strikes.contacts(row.id)
        sorting = Counter((kinds[c.first_sequence], c.kind) for c in contacts)
        rows = rows_of(session, answer, plain_means(store, row, session))
        run_on = go_on(store, row, session, answer) if seed % 3 == 0 else []
    made = Played(facts_of(session), rows, sorting, seconds, run_on)
    if seed % 4 == 1:
        with data_file() as (store, folder):
            row = file_session(store, session, folder=folder)
            add_marks(store, row, session, 3)
            made.marked = (rows, rows_of(session, ask_engine(store, row)))
    if seed % 4 == 3 and not session.camber_known:
        with data_file() as (store, folder):
            row = file_session(store, session, folder=folder, rocked="7i")
            made.rocked = (rows, rows_of(session, ask_engine(store, row)))
    return made


def go_on(
    store: Store, row: SessionRow, session: Session, answer: Answer
) -> list[tuple[int, bool]]:
    """Hit as many more as was told, and see whether that decided it."""
    told = {c.label: c.more_swings for c in answer.clubs if 0 < c.more_swings <= _MOST_MORE}
    done = {session.clubs[club].label: number for club, number in session.plan}
    told = {label: n for label, n in told.items() if done[label] + n <= MOST_SWINGS}
    if not told:
        return []
    log_records(FittingSession(store, row.id), session.with_more(told))
    after = {club.label: club.decision for club in ask_engine(store, row).clubs}
    return [(n, after.get(label) in ("bend", "leave")) for label, n in told.items()]


def rows_of(
    session: Session, answer: Answer, plain: Mapping[str, float] | None = None
) -> list[dict[str, object]]:
    """Put truth and answer of each club beside each other."""
    place = {club.label: i for i, club in enumerate(session.clubs)}
    rows = []
    for said in answer.clubs:
        club = session.clubs[place[said.label]]
        own = [s for s in session.strikes if s.club == place[said.label] and s.kind == "strike"]
        rows.append({
            "label": said.label, "truth": club.lie_error_deg, "answer": said.lie_error_deg,
            "low": said.low_deg, "high": said.high_deg, "decision": said.decision,
            "more": said.more_swings, "bend": said.bend_deg, "named": said.is_named_outlier,
            "plain": (plain or {}).get(said.label, math.nan), "own": club.own_deg,
            "is_outlier": club.is_outlier, "ends": session.ends_in_print(place[said.label]),
            "depth": club.depth_mm, "most_bend": HEAD_LIMITS[_HEADS[club.material]].total_deg,
            "strikes": len(own), "level_u": answer.level_u_deg,
        })  # fmt: skip
    return rows


def plain_means(store: Store, row: SessionRow, session: Session) -> dict[str, float]:
    """Lie errors by the plain mean of the contacts as read, which know nothing of delivery."""
    labels = {club.id: club.label for club in store.sets.get(row.set).clubs}
    camber = {club.label: club.stated_camber_mm or _PLAIN_CAMBER_MM for club in session.clubs}
    found: dict[str, list[float]] = {}
    for contact in store.strikes.contacts(row.id):
        if contact.used and contact.toe_mm is not None and contact.club is not None:
            found.setdefault(labels[contact.club], []).append(contact.toe_mm)
    return {
        label: -math.degrees(math.atan(float(np.mean(toes)) / camber[label]))
        for label, toes in found.items()
    }


def facts_of(session: Session) -> dict[str, object]:
    """What strata of sessions are made of."""
    player, board = session.player, session.board
    depth = float(np.median([club.depth_mm for club in session.clubs]))
    gone = bool((board.gain == 0).any())
    return {
        "stance_told": player.told_stance_mm is not None, "hand": player.hand, "rows": board.rows,
        "offset": abs(player.offset_mm), "camber_known": session.camber_known,
        "swings": session.plan[0][1], "depth": depth, "shear": session.cover.shear_mm,
        "deep": session.cover.deep_share > 0, "lag": session.cover.lag_us,
        "calibrated": board.calibrated_gain is not None, "has_outlier": session.has_outlier,
        "dead": gone, "pitch": board.pitch_mm,
    }  # fmt: skip


# -- the first world ------------------------------------------------------------------------------

CAMBER_U_MM = 6.0
STEP_NS = 50_000_000


def set_file(clubs, rng) -> SetFile:
    """State the true cambers, with the stated uncertainty added by chance."""
    return SetFile(
        player="Jo Marrow", hand="right", name="bench", pivot_label="7i",
        machine_increment_deg=_STEP_DEG,
        clubs=tuple(
            Club(c.label, ClubSpec(
                length_mm=c.length_mm, lie_deg=c.lie_deg, loft_deg=c.loft_deg,
                camber_mm=c.sole.camber_mm + rng.normal(0.0, CAMBER_U_MM), camber_u_mm=CAMBER_U_MM,
                sole_length_mm=c.sole.length_mm, head_material="forged"))
            for c in clubs
        ),
    )  # fmt: skip


def play_board(store, session, clubs, rng, swings, options):
    """Run one session on virtual time; return the board's truth, in order."""
    truth = []
    board = Board(rng, options, truth.append)
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
            boot_id = store.boards.hello_of(boot).boot_id
            board.receive(
                encode.frame(encode.CONFIRM, struct.pack("<II", boot_id, timed[-1].sequence))
            )
    return truth


def play_first(
    seed: int, options: BoardOptions | None = None, law: ResponseLaw | None = None
) -> Played | None:
    """Hit eight clubs on the simulated board, eight swings each; ``law`` is kept of it before."""
    rng = np.random.default_rng(10_000 + seed)
    clubs = default_set()
    order = sorted(clubs, key=lambda c: c.label != "7i")
    start_ns = 1_780_000_000_000_000_000
    with data_file() as (store, _):
        set_id = store.sets.import_file(set_file(clubs, rng), at_utc_ns=start_ns)
        row = store.sessions.start(
            set_id, started_utc_ns=start_ns, stance_u_mm=1.0, sole_middle_u_mm=5.0, ball=True
        )
        session = FittingSession(store, row)
        session.step_club(0, start_ns, cause="start")
        truth = play_board(store, session, order, rng, 8, options or BoardOptions())
        if law is not None:
            keep_law(store, store.boards.all()[0].id, law, start_ns)
        began = time.process_time()
        answer = ask_engine(store, session.row)
        seconds = time.process_time() - began
        kinds = {t["sequence"]: t["kind"] for t in truth if t["sequence"] is not None}
        contacts = store.strikes.contacts(session.row.id)
        sorting = Counter((kinds.get(c.first_sequence, "nothing"), c.kind) for c in contacts)
    struck = [t for t in truth if t["kind"] == "strike"]
    # As tired as the player was in the middle of the session.
    tired = Player().fatigue_deg / 100 * len(struck) / 2
    fresh = {club.label: club.lie_error_deg + tired for club in clubs}
    rows: list[dict[str, object]] = [
        {
            "label": said.label, "truth": fresh[said.label], "answer": said.lie_error_deg,
            "low": said.low_deg, "high": said.high_deg, "decision": said.decision,
            "more": said.more_swings, "bend": said.bend_deg, "named": said.is_named_outlier,
            "plain": math.nan, "own": 0.0, "is_outlier": said.label == "6i", "ends": "unknown",
            "depth": math.nan, "most_bend": HEAD_LIMITS[Head.SOFT_FORGED].total_deg, "strikes": 8,
            "level_u": answer.level_u_deg,
        }
        for said in answer.clubs
    ]  # fmt: skip
    facts: dict[str, object] = {"stance_told": True, "swings": 8, "camber_known": True}
    return Played(facts, rows, sorting, seconds, [])


# -- statistics -----------------------------------------------------------------------------------


def share(sums: Sequence[float], counts: Sequence[float]) -> tuple[float, float]:
    """Return a ratio of sums over sessions and its standard error, sessions as clusters.

    Linearised ratio estimator (Cochran, Sampling Techniques, 3rd ed., 6.3 and 9A.1; from memory).
    """
    top, below = np.array(sums, float), np.array(counts, float)
    if not below.sum():
        return math.nan, math.nan
    ratio = top.sum() / below.sum()
    n = np.count_nonzero(below)
    if n < 2:
        return ratio, math.nan
    spread = np.sum((top - ratio * below) ** 2) * n / (n - 1)
    return ratio, math.sqrt(spread) / below.sum()


def rms(squares: Sequence[float], counts: Sequence[float]) -> tuple[float, float]:
    """Return a root mean square over sessions with its standard error."""
    mean, se = share(squares, counts)
    return (math.sqrt(mean), se / (2 * math.sqrt(mean))) if mean > 0 else (mean, se)


def said(value: tuple[float, float]) -> dict[str, float | None]:
    """Write a value with its standard error for JSON."""
    return {
        "is": round(value[0], 3) if math.isfinite(value[0]) else None,
        "se": round(value[1], 3) if math.isfinite(value[1]) else None,
    }


def summary(sessions: Sequence[Sequence[Mapping[str, object]]]) -> dict[str, object]:
    """Score clubs, level and gaps of sessions, each a list of clubs."""
    columns: dict[str, list[float]] = {
        key: []
        for key in (
            "n",
            "bounded",
            "square",
            "held",
            "half",
            "level",
            "z",
            "gap_n",
            "gap",
            "plain_n",
            "plain",
        )
    }
    halves: list[float] = []
    for rows in sessions:
        error = np.array([r["answer"] - r["truth"] for r in rows], float)
        low = np.array([r["low"] for r in rows], float)
        high = np.array([r["high"] for r in rows], float)
        truth = np.array([r["truth"] for r in rows], float)
        plain = np.array([r["plain"] for r in rows], float) - truth
        bounded = np.isfinite(high - low)
        columns["n"].append(len(rows))
        columns["bounded"].append(int(bounded.sum()))
        columns["square"].append(float(np.sum(error**2)))
        columns["held"].append(int(np.sum((low <= truth) & (truth <= high) & bounded)))
        columns["half"].append(float(np.sum((high - low)[bounded]) / 2))
        columns["level"].append(float(np.mean(error) ** 2))
        columns["z"].append(float((np.mean(error) / rows[0]["level_u"]) ** 2))
        halves += list((high - low) / 2)
        # Of m clubs that share their own mean, m - 1 are free.
        columns["gap_n"].append(len(rows) - 1)
        columns["gap"].append(float(np.sum((error - error.mean()) ** 2)))
        known = bool(np.all(np.isfinite(plain)))
        columns["plain_n"].append(len(rows) - 1 if known else 0)
        columns["plain"].append(float(np.sum((plain - plain.mean()) ** 2)) if known else 0.0)
    each = [1.0] * len(sessions)
    return {
        "sessions": len(sessions),
        "clubs": int(sum(columns["n"])),
        "rms_deg": said(rms(columns["square"], columns["n"])),
        "held_90": said(share(columns["held"], columns["bounded"])),
        "half_width_deg": said(share(columns["half"], columns["bounded"])),
        "half_width_median_deg": round(float(np.median(halves)), 3),
        "level_rms_deg": said(rms(columns["level"], each)),
        "level_z": said(rms(columns["z"], each)),
        "gap_rms_deg": said(rms(columns["gap"], columns["gap_n"])),
        "plain_gap_rms_deg": said(rms(columns["plain"], columns["plain_n"])),
    }


def bends(played: Sequence[Played]) -> dict[str, object]:
    """Score bends against the truth, and against one who knows it."""
    steps = np.arange(-20, 21) * _STEP_DEG
    counts: Counter[str] = Counter()
    after, best, before, clubs, worse, bent, sets_worse = [], [], [], [], [], [], []
    for one in played:
        truth = np.array([r["truth"] for r in one.clubs], float)
        bend = np.array([r["bend"] for r in one.clubs], float)
        most = np.array([r["most_bend"] for r in one.clubs], float)
        allowed = np.where(abs(steps) <= most[:, None], steps, 0.0)
        left = np.min(abs(truth[:, None] + allowed), axis=1)
        counts.update(str(r["decision"]) for r in one.clubs)
        clubs.append(len(truth))
        before.append(float(np.sum(truth**2)))
        after.append(float(np.sum((truth + bend) ** 2)))
        best.append(float(np.sum(left**2)))
        bent.append(int(np.count_nonzero(bend)))
        worse.append(int(np.sum((bend != 0) & (abs(truth + bend) > abs(truth)))))
        sets_worse.append(float(after[-1] > before[-1] + 1e-9))
    left_rms, best_rms = rms(after, clubs), rms(best, clubs)
    return {
        "decisions": dict(counts),
        "bends": sum(bent),
        "worse": said(share(worse, bent)),
        "sets_worse": said(share(sets_worse, [float(b > 0) for b in bent])),
        "rms_before_deg": said(rms(before, clubs)),
        "rms_after_deg": said(left_rms),
        "rms_oracle_deg": said(best_rms),
        "after_over_oracle": round(left_rms[0] / best_rms[0], 3) if best_rms[0] else None,
    }


def outliers(played: Sequence[Played]) -> dict[str, object]:
    """Count clubs named as standing off the line, rightly and wrongly."""
    odd = [[r for r in one.clubs if r["is_outlier"]] for one in played]
    plain = [[r for r in one.clubs if abs(float(r["own"])) < 1.0] for one in played]  # type: ignore[arg-type]
    plain = [[r for r in rows if not r["is_outlier"]] for rows in plain]
    return {
        "of": sum(map(len, odd)),
        "found": said(share([sum(bool(r["named"]) for r in x) for x in odd], list(map(len, odd)))),
        "of_others": sum(map(len, plain)),
        "false_alarms": said(
            share([sum(bool(r["named"]) for r in x) for x in plain], list(map(len, plain)))
        ),
    }


def more_swings(played: Sequence[Played]) -> dict[str, object]:
    """Count who was decided within the swings that were told, and who was left alone early."""
    on = [one.run_on for one in played]
    told = [r["more"] for one in played for r in one.clubs if r["decision"] == "hit"]
    centred = [
        [
            r["decision"] == "leave"
            for r in one.clubs
            if r["ends"] == "both" and abs(float(r["truth"])) < 0.3  # type: ignore[arg-type]
        ]
        if int(one.facts["swings"]) <= 12  # type: ignore[call-overload]
        else []
        for one in played
    ]
    return {
        "told": len(told),
        "told_more_than_40": sum(int(n) > _MOST_MORE for n in told),  # type: ignore[call-overload]
        "went_on": sum(map(len, on)),
        "decided_within_n": said(share([sum(d for _, d in x) for x in on], list(map(len, on)))),
        "centred_both_ends_by_12": sum(map(len, centred)),
        "of_these_left_alone": said(share(list(map(sum, centred)), list(map(len, centred)))),
    }


def marks(played: Sequence[Played]) -> dict[str, object]:
    """Compare sessions with three marks with the same without."""
    found: dict[str, object] = {}
    pairs = [(one, one.marked) for one in played if one.marked is not None]
    every = ("both", "one", "none")
    for name, wanted in (("all", every), *((one, (one,)) for one in every)):
        own = [pair for _, pair in pairs if session_ends(pair[0]) in wanted]
        if own:
            found[name] = {
                "without": summary([before for before, _ in own]),
                "with": summary([after for _, after in own]),
            }
    return found


def rocked(played: Sequence[Played]) -> dict[str, object]:
    """Compare the other clubs of sets with one head rocked with the same with none."""
    pairs = [one.rocked for one in played if one.rocked is not None]

    def others(rows):
        return [r for r in rows if r["label"] != "7i"]

    pairs = [(others(a), others(b)) for a, b in pairs]
    pairs = [(a, b) for a, b in pairs if a and b]
    if not pairs:
        return {}
    return {"without": summary([a for a, _ in pairs]), "with": summary([b for _, b in pairs])}


def session_ends(rows: Sequence[Mapping[str, object]]) -> str:
    """Say what prints with most clubs of a session."""
    counts = Counter("one" if r["ends"] in ("heel", "toe") else str(r["ends"]) for r in rows)
    return counts.most_common(1)[0][0]


_SESSION_STRATA: dict[str, Callable[[Mapping], bool]] = {
    "camber_known": lambda f: f["camber_known"],
    "camber_unknown": lambda f: not f["camber_known"],
    "offset_below_5": lambda f: f["offset"] < 5,
    "offset_5_to_10": lambda f: 5 <= f["offset"] < 10,
    "offset_above_10": lambda f: f["offset"] >= 10,
    "swings_3": lambda f: f["swings"] == 3,
    "swings_8": lambda f: f["swings"] == 8,
    "swings_12": lambda f: f["swings"] == 12,
    "swings_15": lambda f: f["swings"] == 15,
    "swings_30": lambda f: f["swings"] == 30,
    "left_handed": lambda f: f["hand"] == "left",
    "two_rows": lambda f: f["rows"] == 2,
    "pitch_3": lambda f: f["pitch"] == 3,
    "pitch_5": lambda f: f["pitch"] == 5,
    "no_shear": lambda f: f["shear"] == 0,
    "shear_below_2": lambda f: 0 < f["shear"] < 2,
    "shear_above_2": lambda f: f["shear"] >= 2,
    "deep_layer": lambda f: f["deep"],
    "lag_above_250_us": lambda f: f["lag"] > 250,
    "calibrated": lambda f: f["calibrated"],
    "not_calibrated": lambda f: not f["calibrated"],
    "dead_cell": lambda f: f["dead"],
    "one_outlier": lambda f: f["has_outlier"],
}
_CLUB_STRATA: dict[str, Callable[[Mapping], bool]] = {
    "ends_both": lambda r: r["ends"] == "both",
    "ends_heel": lambda r: r["ends"] == "heel",
    "ends_toe": lambda r: r["ends"] == "toe",
    "ends_none": lambda r: r["ends"] == "none",
    "depth_below_1.2": lambda r: r["depth"] < 1.2,
    "depth_1.2_to_2": lambda r: 1.2 <= r["depth"] < 2.0,
    "depth_2_to_3": lambda r: 2.0 <= r["depth"] < 3.0,
    "depth_above_3": lambda r: r["depth"] >= 3.0,
}


def strata(played: Sequence[Played], *, second: bool) -> dict[str, object]:
    """Score every stratum."""
    told = [one for one in played if one.facts["stance_told"]]
    found: dict[str, object] = {"all": summary([one.clubs for one in played])}
    if not second:
        return found
    found["stance_told"] = summary([one.clubs for one in told])
    untold = [one.clubs for one in played if not one.facts["stance_told"]]
    if untold:
        found["stance_not_told"] = summary(untold)
    for name, holds in _SESSION_STRATA.items():
        own = [one.clubs for one in told if holds(one.facts)]
        if own:
            found[name] = summary(own)
    # What is claimed is held against it; what is not claimed is counted.
    for name, claims in (("level_claimed", True), ("level_not_claimed", False)):
        own = [o.clubs for o in told if (o.clubs[0]["level_u"] < _CLAIMED_U_DEG) == claims]
        if own:
            found[name] = summary(own)
    for name, holds in _CLUB_STRATA.items():
        picked = [[r for r in one.clubs if holds(r)] for one in told]
        picked = [rows for rows in picked if rows]
        if picked:
            found[name] = summary(picked)
    return found


# -- running --------------------------------------------------------------------------------------


def dump(path: Path, seeds: Sequence[int]) -> None:
    """Write the heaviest scan of every strike, rest taken off, with its truth."""
    rows: dict[str, list[object]] = {key: [] for key in (
        "seed", "club", "label", "row_counts", "place_mm", "rest", "lie_deg", "middle_mm", "toe_mm",
        "depth_mm", "club_lie_error_deg", "stance_deg", "camber_mm", "heel_print_end_mm",
        "toe_print_end_mm", "heel_pressed", "toe_pressed", "is_mishit", "toe_sign", "full_scale",
    )}  # fmt: skip
    for seed in seeds:
        session = draw_session(seed)
        board = session.board
        nominal = (np.arange(board.cells) - (board.cells - 1) / 2) * board.pitch_mm
        gain = np.ones_like(board.gain) if board.calibrated_gain is None else board.calibrated_gain
        for strike in session.strikes:
            if strike.kind != "strike":
                continue
            club = session.clubs[strike.club]
            rest = strike.counts[:3].mean(axis=0)
            above = (strike.counts - rest) / gain
            heaviest = above[np.nansum(above, axis=(1, 2)).argmax()]
            ends = club.sole.grinds_mm
            # Boards differ in cells: rows are filled up with NaN to 64.
            padded = np.full((2, 64), np.nan)
            padded[: board.rows, : board.cells] = heaviest
            place = np.full(64, np.nan)
            place[: board.cells] = nominal
            values = (
                seed, strike.club, club.label, padded, place, float(rest.mean()), strike.lie_deg,
                strike.middle_mm, strike.toe_mm, strike.depth_mm, club.lie_error_deg,
                club.stance_deg, club.sole.camber_mm, *ends, strike.heel_pressed,
                strike.toe_pressed, strike.is_mishit, 1 if session.player.hand == "right" else -1,
                board.full_scale,
            )  # fmt: skip
            for key, value in zip(rows, values, strict=True):
                rows[key].append(value)
    np.savez_compressed(path, **{key: np.array(values) for key, values in rows.items()})
    print(json.dumps({"sessions": len(seeds), "strikes": len(rows["seed"]), "file": path.name}))


def safely(world: str, faults: float, seed: int) -> Played | str | None:
    """Play a session; return the last line of what the product raised, if it did."""
    try:
        return play_second(seed, faults) if world == "second" else play_first(seed)
    except Exception as error:  # noqa: BLE001 -- a crash is a result: it is counted and named
        return f"seed {seed}: {type(error).__name__}: {error}"


def run(
    seeds: Sequence[int], world: str, jobs: int, faults: float = 1.0
) -> tuple[list[Played], list[str]]:
    """Play all sessions, in the order of the seeds; also return what crashed."""
    play = partial(safely, world, faults)
    found: list[Played] = []
    crashed: list[str] = []

    def keep(results: Iterator[Played | str | None]) -> None:
        for number, one in enumerate(results, start=1):
            if isinstance(one, str):
                crashed.append(one)
            elif one is not None:
                found.append(one)
            if number % 20 == 0:
                print(f"{number} of {len(seeds)} sessions", file=sys.stderr, flush=True)

    if jobs == 1:
        keep(map(play, seeds))
    else:
        with multiprocessing.get_context("spawn").Pool(jobs) as pool:
            keep(pool.imap(play, seeds, chunksize=2))
    return found, crashed


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--sessions", type=int, default=300)
    options.add_argument("--seed", type=int, default=0, help="of the first session")
    options.add_argument("--world", choices=("second", "first"), default="second")
    options.add_argument(
        "--faults", type=float, default=1.0, help="times those of the second world"
    )
    options.add_argument("--jobs", type=int, default=1)
    options.add_argument("--dump", type=Path, help="write the heaviest scans to this file instead")
    asked = options.parse_args()
    seeds = range(asked.seed, asked.seed + asked.sessions)
    if asked.dump is not None:
        dump(asked.dump, seeds)
        return
    if asked.jobs > 1:
        # Of processes that share the cores, each does with one.
        os.environ.setdefault("OMP_NUM_THREADS", "1")
    began = time.perf_counter()
    played, crashed = run(seeds, asked.world, asked.jobs, asked.faults)
    for line in crashed:
        print(f"  crashed: {line}")
    second = asked.world == "second"
    sorting = sum((one.sorted for one in played), Counter[tuple[str, str]]())
    for (true, seen), n in sorted(sorting.items()):
        print(f"  {true:>14} seen as {seen}: {n}")
    strikes = sum(n for (true, _), n in sorting.items() if true == "strike")
    others = sum(n for (true, _), n in sorting.items() if true != "strike")
    mistaken = sum(n for (true, seen), n in sorting.items() if true != "strike" == seen)
    result: dict[str, object] = {
        "world": asked.world,
        "faults": asked.faults,
        "sessions": len(played),
        "crashed": len(crashed),
        "first_seed": asked.seed,
        "strikes": strikes,
        "strikes_recognised": round(sorting["strike", "strike"] / strikes, 4),
        "others_taken_for_strikes": round(mistaken / others, 4) if others else None,
        "strata": strata(played, second=second),
        "bends": bends(played),
        "outliers": outliers(played),
    }
    if second:
        told = [one for one in played if one.facts["stance_told"]]
        result["bends_stance_told"] = bends(told)
        result["more_swings"] = more_swings(told)
        result["three_marks"] = marks(told)
        result["one_head_rocked"] = rocked(told)
    result["answer_s_median"] = round(float(np.median([one.seconds for one in played])), 3)
    result["answer_s_most"] = round(max(one.seconds for one in played), 3)
    result["seconds"] = round(time.perf_counter() - began, 1)
    for name, each in result["strata"].items():  # type: ignore[attr-defined]
        print(f"  {name:>18}  n {each['sessions']:4d}/{each['clubs']:5d}  " + "  ".join(
            f"{key} {each[key]['is']}+-{each[key]['se']}"
            for key in ("rms_deg", "held_90", "half_width_deg", "level_rms_deg", "level_z",
                        "gap_rms_deg", "plain_gap_rms_deg")
        ))  # fmt: skip
    print(json.dumps(result))


if __name__ == "__main__":
    main()
