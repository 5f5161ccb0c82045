"""A session's report as plain values, worked out from the store."""

from __future__ import annotations

from collections.abc import Callable

from analysis.plan.types import SetPlan
from analysis.report.content import (
    ClubContent,
    Dot,
    DoubtLine,
    ReportContent,
    Sheet,
    SheetRow,
)
from analysis.statistics.budget import WHAT_TO_IMPROVE
from logger.errors import UsageError
from logger.session.logging.cell_calibration import (
    CELL_CALIBRATION_KIND,
    CELL_CALIBRATION_METHOD,
    calibrations_of,
)
from logger.session.results.clubs import ClubResult, SessionResults, session_results
from logger.setfiles.units import inches_from_mm
from logger.store.rows import SessionRow
from logger.store.store import Store

# What data files call a cell calibration, and what a person does.
_STORED_WORD = (CELL_CALIBRATION_KIND, "cell calibration")


def report_content(
    store: Store,
    session: SessionRow,
    *,
    when: Callable[[int], str],
    made: str,
    inches: bool = False,
) -> ReportContent:
    """Work out everything that a session's report shows.

    Parameters
    ----------
    when
        Shows a UTC moment in ns as the reader's date and time.
    made
        Program, version and date, for the foot of the report.
    inches
        Whether what is said of the session has its lengths in inches.

    Raises
    ------
    UsageError
        If the session has no contact under any club.
    """
    own = store.sets.get(session.set, at_utc_ns=session.ended_utc_ns)
    contacts = store.strikes.contacts(session.id)
    if not any(contact.club is not None for contact in contacts):
        raise UsageError(
            f"session {session.id} has no strikes under a club yet: log some with 'lieboard log "
            "PORT', type marks in with 'lieboard mark CLUB MM', or choose another with --session "
            "('lieboard sessions' lists them)"
        )
    results = session_results(store, session)
    sheet = None if results.plan is None else sheet_of(results.plan)
    boards, methods = _boards(store, session, when)
    versions = sorted({contact.method_version for contact in contacts})
    return ReportContent(
        player=own.player.name,
        set_name=own.name,
        session=session.id,
        date=when(session.started_utc_ns),
        hand=session.hand,
        facts=_facts(store, session, when, inches),
        boards=boards,
        methods=(*methods, ("strikes by", ", ".join(versions))),
        remarks=_remarks(session, results),
        clubs=tuple(map(_club, results.clubs)),
        sheet=sheet,
        made=made,
    )


def sheet_of(plan: SetPlan) -> Sheet:
    """Bend sheet of a plan, as the report shows it."""
    rows = tuple(
        SheetRow(
            label=row.label,
            decision=row.decision.words,
            bend_deg=row.bend_deg,
            before_deg=row.error_before_deg,
            after_deg=row.error_after_deg,
            pulls_deg=row.pulls_deg,
            static_before_deg=row.static_before_deg,
            static_after_deg=row.static_after_deg,
            why=row.why,
        )
        for row in plan.rows
    )
    return Sheet(plan.rules.increment_deg, plan.gaps, rows, plan.notes, plan.cautions)


def _club(result: ClubResult) -> ClubContent:
    one, spec = result.evidence, result.evidence.club.spec
    lines = one.lie.budget.lines if one.lie else ()
    return ClubContent(
        label=one.club.label,
        dots=tuple(
            Dot(seen.toe_mm, seen.trail_mm, not seen.reason, seen.source == "mark")
            for seen in one.seen
        ),
        used=one.used,
        set_aside=one.set_aside,
        lost=one.lost,
        mean_mm=one.contact.mean_mm,
        interval_mm=one.contact.interval_mm,
        spread_mm=one.contact.spread_mm,
        wanted_mm=result.wanted.toe_mm,
        wanted_words=result.wanted.words,
        sole_length_mm=spec.sole_length_mm,
        camber_mm=spec.camber_mm,
        touched=result.touched,
        decision=result.decision.words,
        why=result.why,
        off_line=result.off_line,
        lie_error_deg=result.lie_error_deg,
        lie_interval_deg=result.interval_deg,
        wanted_lie_error_deg=result.wanted.lie_error_deg,
        level=one.lie.level_words if one.lie else None,
        lie_deg=spec.lie_deg,
        length_mm=spec.length_mm,
        budget=tuple(
            DoubtLine(line.contribution.name, line.u_result, line.share) for line in lines
        ),
        improve=WHAT_TO_IMPROVE[lines[0].contribution.improve_key] if lines else None,
    )


def _facts(
    store: Store, session: SessionRow, when: Callable[[int], str], inches: bool
) -> tuple[tuple[str, str], ...]:
    def length(mm: float, u_mm: float) -> str:
        if inches:
            return f"{inches_from_mm(mm):+.2f} in ± {inches_from_mm(u_mm):.2f}"
        return f"{mm:+.0f} mm ± {u_mm:.1f}"

    feet = "how low they stand was not measured"
    if session.stance_told:
        feet = f"{length(session.stance_mm, session.stance_u_mm)} (+ lower than the board)"
    facts = [
        ("started", when(session.started_utc_ns)),
        ("ended", when(session.ended_utc_ns) if session.ended_utc_ns else "still open"),
        ("feet", feet),
        ("address mark", length(session.sole_middle_mm, session.sole_middle_u_mm)),
        ("ball", "yes" if session.ball else "no"),
        ("surface", session.surface or "not noted"),
    ]
    if session.note:
        facts.append(("note", session.note))
    facts.extend(("remark", note.text) for note in store.sessions.notes(session.id))
    return tuple(facts)


def _boards(
    store: Store, session: SessionRow, when: Callable[[int], str]
) -> tuple[tuple[tuple[str, str], ...], tuple[tuple[str, str], ...]]:
    lines: list[tuple[str, str]] = []
    methods: list[tuple[str, str]] = []
    known: set[int] = set()
    for boot in store.boards.boots_of(session.id):
        board = store.boards.of_boot(boot)
        if board.id in known:
            continue
        known.add(board.id)
        hello = store.boards.hello_of(boot)
        lines.append(("board", f"{board.name} ({board.board_key})"))
        if hello is not None:
            strip = f"{hello.rows} × {hello.cells} cells at {hello.pitch_um / 1000:g} mm"
            lines.append(("strip", strip))
            lines.append(("firmware", ".".join(map(str, hello.firmware))))
        judged = {True: "good enough to fit with", False: "NOT good enough to fit with"}
        lines.append(("bench checks", judged.get(board.accepted or False, "")))
        if board.accepted is None:
            lines[-1] = ("bench checks", "not done: lieboard board check")
        calibration = calibrations_of(store, boot).at(session.started_utc_ns)
        if calibration is None:
            lines.append(("cell calibration", "none: cells taken as made"))
        else:
            since = when(calibration.from_utc_ns)
            lines.append(("cell calibration", f"number {calibration.id}, {since}"))
            methods.append(("cells by", CELL_CALIBRATION_METHOD.replace(*_STORED_WORD)))
    if not lines:
        lines.append(("board", "none: marks read off the sole"))
    return tuple(lines), tuple(methods)


def _remarks(session: SessionRow, results: SessionResults) -> tuple[str, ...]:
    evidence = results.picture.clubs
    remarks = []
    if session.ended_utc_ns is None:
        remarks.append("This session is still open: more strikes may follow.")
    remarks += results.remarks
    rough = [one.club.label for one in evidence if one.used and one.club.spec.camber_mm is None]
    if rough:
        remarks.append(f"The sole's radius was not measured: {', '.join(rough)}.")
    lost = sum(one.lost for one in evidence)
    if lost:
        remarks.append(f"{lost} records were lost on the way from the board; some may be strikes.")
    unmeasured = [one.club.label for one in evidence if one.club.spec.lie_deg is None]
    if unmeasured:
        remarks.append(f"Lie not measured: {', '.join(unmeasured)}.")
    if results.no_plan:
        remarks.append(f"No bend sheet: {results.no_plan}.")
    return tuple(remarks)
