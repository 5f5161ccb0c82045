"""From what a bench connection collected to findings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from analysis.answers import NoAnswerError, Verdict
from analysis.board.check import (
    NOTHING_TO_DO,
    Finding,
    graded,
    resting_findings,
    resting_noise_counts,
)
from analysis.board.link import (
    clock_finding,
    line_rate_finding,
    link_findings,
    scan_findings,
    status_findings,
    tick_rate_finding,
)
from logger.bench.connection import BoardBench
from logger.bench.presses import order_finding, press_findings, presses_of
from logger.bench.rest import fits_hello, resting_scans, steady_ticks
from logger.protocol.decoding import DamageKind
from logger.protocol.records import Flag, Hello, Reading, Strike

# Records with nobody near the board: one or two may be a door that was shut.
_UNTOUCHED_FAIL = 3


@dataclass(slots=True)
class PartsSeen:
    """What came in which part of a check."""

    untouched: list[Strike | Reading] = field(default_factory=list)
    """While nobody touched the board, at the trigger it came with."""
    untouched_s: float = 0.0
    disturbed: list[int] = field(default_factory=list)
    """Records in each try before that, after which it was tried again."""
    lowered: list[Strike] = field(default_factory=list)
    """The same with the trigger lowered until noise alone begins records."""
    pressed: list[Strike | Reading] = field(default_factory=list)
    """While somebody pressed along the strip."""
    trigger_level: int = 0
    """That it came with."""
    press_level: int = 0
    """In force during the presses."""
    floor: int | None = None
    """The board would not go below this trigger; None if it was not asked to or did."""


def strikes_in(records: Sequence[object], hello: Hello) -> list[Strike]:
    """Only the records that hold scans of the board that said this hello."""
    return [r for r in records if isinstance(r, Strike) and fits_hello(r, hello)]


def findings_of(bench: BoardBench, watched: PartsSeen) -> list[Finding]:
    """Everything that a check can say of this board, the cells first and then the way here."""
    hello = bench.hello
    if hello is None:
        return _text_findings(bench, watched)
    cells = _cell_findings(hello, watched) if bench.sends_scans else [_no_cells(hello)]
    noise = _measured_noise(hello, watched) if bench.sends_scans else None
    return [
        *_untouched_finding(watched),
        *cells,
        *_claim_findings(bench, hello, noise),
        *_line_findings(bench, hello),
        *_clock_findings(bench),
    ]


def _untouched_finding(watched: PartsSeen) -> list[Finding]:
    if watched.untouched_s <= 0:
        return []
    count = len(watched.untouched)
    if count == 0:
        # No proof of an hour; "false triggers" says what the noise has in store.
        return [Finding("records untouched", 0.0, "records", Verdict.PASS, NOTHING_TO_DO)]
    tries = f", in try {len(watched.disturbed) + 1} as before" if watched.disturbed else ""
    fix = (
        f"{count} in {watched.untouched_s:.0f} s while nobody touched the board{tries}: the "
        f"trigger ({watched.trigger_level} counts) lies in the noise, or something presses or "
        "shakes the strip."
    )
    verdict = Verdict.FAIL if count >= _UNTOUCHED_FAIL else Verdict.LOOK
    return [Finding("records untouched", float(count), "records", verdict, fix)]


def _no_cells(hello: Hello) -> Finding:
    return Finding(
        "cells",
        float(hello.rows * hello.cells),
        "cells",
        Verdict.LOOK,
        "This board sends places and no scans: noise, drift, and dead, crossed or weak cells "
        "cannot be seen from here. Let it send strike scans for the check.",
    )


def _cell_findings(hello: Hello, watched: PartsSeen) -> list[Finding]:
    untouched, pressed = strikes_in(watched.untouched, hello), strikes_in(watched.pressed, hello)
    level = watched.trigger_level
    rest = resting_scans([*untouched, *watched.lowered], pressed, hello, watched.press_level)
    findings = _misfit_findings(hello, [*watched.untouched, *watched.pressed])
    try:
        if rest is None:
            raise NoAnswerError("no scan at rest came: press the strip sharply some twenty times")
        findings += resting_findings(
            rest.counts, rest.t_us, full_scale=hello.full_scale, trigger_counts=max(level, 1)
        )
    except NoAnswerError as reason:
        findings.append(Finding("noise", None, "", Verdict.LOOK, f"{reason}."))
    if watched.floor is not None:
        # Nothing is wrong with it; it explains where the noise was read from.
        findings.append(
            Finding("lowest trigger", float(watched.floor), "counts", Verdict.PASS, NOTHING_TO_DO)
        )
    presses = presses_of(pressed, hello, watched.press_level)
    if len(presses.height):
        findings += press_findings(presses)
        findings += order_finding(pressed, hello, watched.press_level)
    else:
        fix = "No press was seen: press along the strip, from the end with cell 0 to the other."
        findings.append(Finding("cells that answered", 0.0, "cells", Verdict.LOOK, fix))
    return findings + _scan_findings(hello, [*untouched, *watched.lowered, *pressed])


def _misfit_findings(hello: Hello, records: Sequence[Strike | Reading]) -> list[Finding]:
    misfits = [r for r in records if isinstance(r, Strike) and not fits_hello(r, hello)]
    if not misfits:
        return []
    fix = (
        f"Strikes do not have the {hello.rows} x {hello.cells} cells of the board's hello, or "
        "their scan times do not go up: correct the firmware."
    )
    return [Finding("misfit strikes", float(len(misfits)), "strikes", Verdict.FAIL, fix)]


def _scan_findings(hello: Hello, strikes: Sequence[Strike]) -> list[Finding]:
    ticks = steady_ticks(strikes)
    try:
        return scan_findings(ticks, tick_hz=hello.tick_hz, claimed_scan_ticks=hello.scan_ticks)
    except NoAnswerError as reason:
        return [Finding("scan rate", None, "Hz", Verdict.LOOK, f"{reason}.")]


def _measured_noise(hello: Hello, watched: PartsSeen) -> float | None:
    untouched = [*strikes_in(watched.untouched, hello), *watched.lowered]
    pressed = strikes_in(watched.pressed, hello)
    rest = resting_scans(untouched, pressed, hello, watched.press_level)
    if rest is None or len(rest.counts) < 2:
        return None
    return float(np.median(resting_noise_counts(rest.counts)))


def _claim_findings(bench: BoardBench, hello: Hello, measured: float | None) -> list[Finding]:
    statuses = bench.tap.statuses
    claimed = [s.noise_counts for s in statuses if s.noise_counts is not None]
    findings = status_findings(
        supply_mv=[s.supply_mv for s in statuses if s.supply_mv is not None],
        # A board whose noise is under its rounding may rightly say 0.
        status_noise_counts=claimed[-1] if claimed and (measured or 0) > 0.3 else None,
        measured_noise_counts=measured or 0.0,
    )
    if measured is None and claimed and hello.trigger_level:
        # The board's own word is all there is.
        ratio = bench.trigger_level / max(claimed[-1], 1.0 / 16.0)
        verdict = graded(-ratio, -6.0, -4.0)
        fix = (
            NOTHING_TO_DO
            if verdict is Verdict.PASS
            else f"By the board's own figure noise is {claimed[-1]:.1f} counts: set the trigger to "
            f"{int(np.ceil(6.0 * claimed[-1]))}."
        )
        findings.append(Finding("trigger", ratio, "times the noise", verdict, fix))
    return findings


def _line_findings(bench: BoardBench, hello: Hello) -> list[Finding]:
    statuses = bench.tap.statuses
    next_sequence = statuses[-1].next_sequence if statuses else hello.next_sequence
    recorder = bench.recorder
    dropped = statuses[-1].dropped - statuses[0].dropped if statuses else 0
    at_board = statuses[-1].bad_frames - statuses[0].bad_frames if statuses else 0
    frames, bad = bench.frames
    return link_findings(
        list(recorder.sequences),
        first_expected=min(recorder.first_expected, next_sequence),
        next_sequence=next_sequence,
        dropped_by_board=max(dropped, 0),
        frames=frames,
        bad_frames=bad,
        bad_frames_at_board=max(at_board, 0),
    )


def _clock_findings(bench: BoardBench) -> list[Finding]:
    findings = []
    if bench.tap.boots > 1:
        fix = "The board restarted during the check: look at its supply and its cable."
        findings.append(Finding("restarts", float(bench.tap.boots - 1), "", Verdict.FAIL, fix))
    estimate = None if bench.tap.clock is None else bench.tap.clock.estimate()
    wrong = _tick_rate(bench)
    findings += wrong
    if estimate is not None and not wrong:
        findings.append(clock_finding(-estimate.drift_ppm, estimate.drift_sd_ppm))
    return findings


_TEXT_TICK_HZ = 1_000_000


def _tick_rate(bench: BoardBench) -> list[Finding]:
    tick_hz = _TEXT_TICK_HZ if bench.hello is None else bench.hello.tick_hz
    told = bench.tap.ticks_told
    found = tick_rate_finding([t for t, _ in told], [s for _, s in told], tick_hz=tick_hz)
    return [] if found is None else [found]


def _line_rate(bench: BoardBench) -> list[Finding]:
    """Look whether lines that each say one moment of a press come often enough."""
    single = [
        r
        for r in bench.records
        if isinstance(r.raw.record, Reading) and not r.raw.record.flags & Flag.SUMS_UP
    ]
    found = line_rate_finding([r.raw.arrival_ns / 1e9 for r in single])
    return [] if found is None else [found]


def _text_findings(bench: BoardBench, watched: PartsSeen) -> list[Finding]:
    """Look at what lines of text give away."""
    readings = [r.raw.record for r in bench.records]
    lost = sum(count for count, _ in bench.recorder.losses)
    flags = Flag(0)
    for record in readings:
        flags |= record.flags
    whole, bad = bench.tap.counters.text_lines, bench.damage[DamageKind.BAD_LINE]
    part = 100.0 * bad / (whole + bad) if whole + bad else 0.0
    missing = [
        words
        for flag, words in (
            (Flag.NO_CHECKSUM, "a checksum"),
            (Flag.NO_SEQUENCE, "n (numbers, so that lost lines are noticed)"),
            (Flag.NO_TICKS, "t (ticks, so that strikes are timed by the board)"),
        )
        if flag in flags
    ]
    return [
        *_untouched_finding(watched),
        Finding(
            "cells",
            None,
            "",
            Verdict.LOOK,
            "A board that speaks text shows places only: noise, drift, scan rate, and dead, "
            "crossed or weak cells cannot be seen. Go on to the reference firmware for the check.",
        ),
        Finding(
            "lines",
            float(whole),
            "lines",
            Verdict.PASS if whole else Verdict.LOOK,
            NOTHING_TO_DO if whole else "No line came: press the strip.",
        ),
        *_tick_rate(bench),
        *_line_rate(bench),
        Finding(
            "damaged lines",
            part,
            "%",
            graded(part, 0.1, 1.0),
            NOTHING_TO_DO if part <= 0.1 else "The line is poor: shorten or change the cable.",
        ),
        Finding(
            "lost lines",
            float(lost),
            "lines",
            Verdict.FAIL if lost else Verdict.PASS,
            "Lines got lost: text keeps nothing, go on to the binary form." if lost
            else NOTHING_TO_DO,
        ),
        Finding(
            "left out",
            float(len(missing)),
            "fields",
            Verdict.LOOK if missing else Verdict.PASS,
            f"The lines lack {', '.join(missing)}." if missing else NOTHING_TO_DO,
        ),
    ]  # fmt: skip
