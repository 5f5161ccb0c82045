"""Take a session of the second world into a data file, by the product's own path.

Fast: bytes -> decoder -> fitting session -> store, as the logger does, on the times of the world.
Slow: a set file and a capture, and the command line does the rest. Both store the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from logger.collector.recording import BoardIdentity, TimedRecord
from logger.links.capture import CaptureWriter, RecordKind
from logger.protocol.clock import UtcAnchor
from logger.protocol.decoding import Decoder
from logger.protocol.records import Hello, RawRecord
from logger.session.logging.cell_calibration import CELL_CALIBRATION_KIND, CELL_CALIBRATION_METHOD
from logger.session.logging.fitting import FittingSession
from logger.session.logging.opening import Circumstances, open_session
from logger.setfiles import load_set
from logger.store.rows import SessionRow
from logger.store.store import Store
from second_world import Session
from simulators import encode

START_UTC_NS = 1_780_000_000_000_000_000
_DAY_NS = 86_400_000_000_000
_TICK_NS = 1000


def circumstances(session: Session) -> Circumstances:
    """What is told at the start; what is not told is left to the product."""
    player = session.player
    told = {}
    if player.told_stance_mm is not None:
        told = {"stance_mm": player.told_stance_mm, "stance_u_mm": player.told_stance_u_mm}
    return Circumstances(sole_middle_mm=player.told_mark_mm, **told)


def file_session(
    store: Store, session: Session, *, rocked: str | None = None, folder: Path
) -> SessionRow:
    """Import the set, log the whole session, and leave it open.

    Parameters
    ----------
    store
        Of the product, open for writing, with no session of this player.
    session
        As drawn.
    rocked
        See `Session.set_toml`.
    folder
        For the set file.

    Returns
    -------
    SessionRow
        For `session_picture` and `bend_plan`.
    """
    path = folder / "set.toml"
    path.write_text(session.set_toml(rocked))
    store.sets.import_file(load_set(path), at_utc_ns=START_UTC_NS - _DAY_NS)
    keep_calibration(store, session)
    fitting = open_session(
        store,
        player=f"Player {session.seed}",
        set_name=None,
        now_utc_ns=START_UTC_NS,
        circumstances=circumstances(session),
    )
    log_records(fitting, session)
    return store.sessions.get(fitting.row.id)


def log_records(fitting: FittingSession, session: Session) -> None:
    """Decode, store and file what the board sends and the file does not have yet.

    Call it again with ``session.with_more(...)`` to go on.
    """
    decoder = Decoder()
    hello = _hello(decoder, session)
    boot = fitting.begin_boot(_identity(hello), START_UTC_NS)
    timed = []
    for sequence, ticks, frames in session.records():
        if sequence < boot.next_expected:
            continue
        at_ns = START_UTC_NS + ticks * _TICK_NS
        for item in decoder.feed(b"".join(frames), at_ns):
            assert isinstance(item, RawRecord), item
            timed.append(TimedRecord(sequence, item, at_ns, 1_000_000))
    if not timed:
        return
    fitting.store_records(boot.boot_row, timed)
    fitting.file(boot.boot_row, timed)
    fitting.idle(timed[-1].struck_utc_ns + 10_000_000_000)


def add_marks(
    store: Store,
    row: SessionRow,
    session: Session,
    number: int = 3,
    *,
    labels: Sequence[str] = ("7i",),
    u_mm: float = 1.0,
) -> None:
    """Keep marks read off the sole, each of the same swing as a strike of the board."""
    clubs = {club.label: club.id for club in store.sets.get(row.set).clubs}
    filed = {c.first_sequence: c for c in store.strikes.contacts(row.id, source="board")}
    for strike, toe_mm in session.marks(number, labels=labels, u_mm=u_mm):
        contact = filed[strike.sequence]
        store.strikes.add_mark(
            row.id,
            clubs[session.clubs[strike.club].label],
            struck_utc_ns=contact.struck_utc_ns + 5_000_000_000,
            toe_mm=round(toe_mm, 1),
            u_mm=u_mm,
            audits=contact.id,
        )


def keep_calibration(store: Store, session: Session) -> None:
    """Keep the calibration of the cells, if there is one, as the bench would have."""
    board = session.board
    if board.calibrated_gain is None:
        return
    decoder = Decoder()
    hello = _hello(decoder, session)
    identity = _identity(hello)
    boot = store.boards.remember_boot(
        board_key=identity.board_key,
        boot_key=identity.boot_key,
        name=identity.name,
        hello=hello,
        seen_utc_ns=START_UTC_NS - _DAY_NS,
    )

    def table(values: np.ndarray) -> list[list[float | None]]:
        return [[float(v) if np.isfinite(v) else None for v in row] for row in values]

    gain = board.calibrated_gain
    same = np.ones_like(gain)
    store.calibrations.add(
        store.boards.of_boot(boot).id,
        CELL_CALIBRATION_KIND,
        {
            "made": "2026-05-27T20:26:40+00:00",
            "pitch_mm": board.pitch_mm,
            "gain": table(gain),
            "u_gain": table(gain * board.calibrated_u),
            "offset_counts": table(board.rest),
            "u_offset_counts": table(same),
            "noise_counts": table(same * max(board.noise_counts, 0.3)),
            "hysteresis": table(0.0 * gain),
            "state": [["good" if np.isfinite(v) else "dead" for v in row] for row in gain],
            "passes_used": 6,
            "left_out": [],
        },
        from_utc_ns=START_UTC_NS - _DAY_NS,
        method_version=CELL_CALIBRATION_METHOD,
    )


def write_capture(path: Path, session: Session) -> None:
    """Write what `lieboard log capture:FILE` plays: hello, clock, records as they are struck."""
    zero_ns = 1_000_000_000
    events = [(ticks, b"".join(frames)) for _, ticks, frames in session.records()]
    asked = [*range(0, 3_000_000, 500_000), *range(30_000_000, events[-1][0], 30_000_000)]
    events += [(ticks, None) for ticks in asked]
    with CaptureWriter(path, "/dev/ttyACM0", UtcAnchor(zero_ns, START_UTC_NS)) as writer:
        writer.write(RecordKind.OPENED, b"/dev/ttyACM0", zero_ns)
        writer.write(RecordKind.FROM_BOARD, session.hello(), zero_ns)
        for token, (ticks, frames) in enumerate(sorted(events, key=lambda event: event[0])):
            at_ns = zero_ns + ticks * _TICK_NS
            if frames is not None:
                writer.write(RecordKind.FROM_BOARD, frames, at_ns)
                continue
            # A question of 1 ms there and back: the board's clock starts with the capture's.
            there, back = ticks + 400, ticks + 600
            question = encode.frame(encode.ASK_CLOCK, token.to_bytes(4, "little"))
            writer.write(RecordKind.TO_BOARD, question, at_ns)
            answer = encode.clock_reply(
                token=token, received_ticks=there % 2**32, sent_ticks=back % 2**32
            )
            writer.write(RecordKind.FROM_BOARD, answer, at_ns + 1_000_000)
        writer.write(RecordKind.CLOSED, b"", at_ns + 1_000_000_000)


def _hello(decoder: Decoder, session: Session) -> Hello:
    (hello,) = decoder.feed(session.hello(), START_UTC_NS)
    assert isinstance(hello, Hello), hello
    return hello


def _identity(hello: Hello) -> BoardIdentity:
    return BoardIdentity(hello.board_id, f"{hello.boot_id:08x}", hello.name, hello)
