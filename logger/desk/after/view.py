"""After: this session against the last, what the bends did; report and history."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Any

from starlette.responses import Response
from starlette.routing import Route

import logger
from analysis.statistics.estimation import Interval
from logger.desk.fitting.view import WAYS
from logger.desk.jobs import Job
from logger.desk.shell.desk import Ask, Desk, view
from logger.desk.shell.words import day, when
from logger.errors import UsageError
from logger.session.results.clubs import ClubResult, SessionResults
from logger.session.results.export import report_json, strike_values, strikes_csv
from logger.session.results.follow_up import follow_bends
from logger.session.results.history import SetHistory, set_history
from logger.session.results.report_data import report_content
from logger.store.rows import SessionRow
from logger.store.store import Store

_KINDS = {
    "html": "text/html; charset=utf-8",
    "pdf": "application/pdf",
    "csv": "text/csv; charset=utf-8",
    "json": "application/json",
}


@dataclass(frozen=True, slots=True)
class ThenAndNow:
    """One club in the session before and in this one."""

    now: ClubResult
    before_deg: float | None
    before_interval: Interval | None
    bent_deg: float
    """Between the two, + upright."""


def then_and_now(
    store: Store,
    row: SessionRow,
    results: SessionResults,
    last: tuple[SessionRow, SessionResults] | None,
) -> list[ThenAndNow]:
    """Put a session beside the one before it."""
    before = {} if last is None else {one.label: one for one in last[1].clubs}
    since = row.started_utc_ns if last is None else last[0].started_utc_ns
    bent: dict[int, float] = {}
    for bend in store.readings.bends():
        if (
            since <= bend.bent_utc_ns < row.started_utc_ns
            and bend.lie_after_deg is not None
            and bend.lie_before_deg is not None
        ):
            size = bend.lie_after_deg - bend.lie_before_deg
            bent[bend.club] = bent.get(bend.club, 0.0) + size
    found = []
    for one in results.clubs:
        old = before.get(one.label)
        found.append(
            ThenAndNow(
                one,
                None if old is None else old.lie_error_deg,
                None if old is None else old.interval_deg,
                bent.get(one.evidence.club.id, 0.0),
            )
        )
    return found


def after_routes(desk: Desk) -> list[Route]:
    """Return the routes of the view, of reports, and of a set's history."""
    histories: dict[int, tuple[int, SetHistory]] = {}

    async def after(ask: Ask) -> Response:
        number, house = ask.number(), ask.house

        def sessions(store: Store) -> tuple[SessionRow, SessionRow | None]:
            row = store.sessions.get(number)
            earlier = (
                one
                for one in reversed(store.sessions.all(row.set))
                if one.started_utc_ns < row.started_utc_ns and store.strikes.contacts(one.id)
            )
            return row, next(earlier, None)

        row, earlier = await house.read(sessions)
        results = await ask.results(row)
        last = None if earlier is None else (earlier, await ask.results(earlier))

        def look(store: Store) -> dict[str, Any]:
            own = store.sets.get(row.set)
            followed, waiting = follow_bends(store, own)
            return {
                "own": own,
                "clubs": then_and_now(store, row, results, last),
                "followed": followed,
                "waiting": waiting,
                "notes": store.sessions.notes(number),
                "contacts": len(store.strikes.contacts(number)),
            }

        found = await house.read(look)
        return ask.page(
            "after/after.html", row=row, base=f"/sessions/{number}", ways=WAYS, way="/after",
            results=results, last=earlier, **found,
        )  # fmt: skip

    def report(kind: str) -> Any:  # noqa: ANN401
        async def answer(ask: Ask) -> Response:
            number = ask.number()
            letter = ask.query.get("paper") == "Letter"
            inches = ask.units.inches

            def make(store: Store) -> bytes:
                row = store.sessions.get(number)
                if kind == "csv":
                    return strikes_csv(strike_values(store, row)).encode()
                now = when(ask.house.clock.utc_ns())
                made = f"Made by lieboard {logger.__version__} on {now}"
                content = report_content(
                    store, row, when=when, made=made, inches=inches and kind != "json"
                )
                if kind == "json":
                    return report_json(content, strike_values(store, row)).encode()
                if kind == "pdf":
                    from analysis.report.pdf import report_pdf

                    return report_pdf(content, "Letter" if letter else "A4", inches=inches)
                from analysis.report.html import report_html

                return report_html(content, inches=inches).encode()

            name = f"lieboard-session-{number}.{kind}"
            return Response(
                await ask.house.read(make),
                media_type=_KINDS[kind],
                headers={"Content-Disposition": f'attachment; filename="{name}"'},
            )

        return answer

    async def history(ask: Ask) -> Response:
        number, house = ask.number(), ask.house
        own = await house.read(lambda store: store.sets.get(number))
        version = await house.read(lambda store: store.live.data_version())
        known = histories.get(number)
        if known is None or known[0] != version:

            def work(job: Job) -> str:
                with Store.open(house.path, read_only=True) as store:
                    found = set_history(store, number, working=job.working)
                histories[number] = (version, found)
                return "worked out"

            job = desk.jobs.start(
                f"History of {own.player.name}, {own.name}", work,
                leads_to=f"/sets/{number}/history", goes_on=True,
            )  # fmt: skip
            # Most are quick: only a long one is worth a page of its own.
            await asyncio.to_thread(job.wait, 0.8)
            if job.state == "failed":
                raise UsageError(job.words)
            if job.state != "done":
                return ask.to(f"/jobs/{job.number}")
            known = histories[number]
        past = known[1]
        from analysis.report.history_words import club_words, common_words

        dates = [day(session.started_utc_ns) for session in past.sessions]
        shown = list(range(len(dates)))[-8:]
        return ask.page(
            "after/history.html", own=past.set, past=past, dates=dates, shown=shown,
            common=list(common_words(past.history, dates)),
            words=[(one.label, "; ".join(club_words(one, dates))) for one in past.history.clubs],
        )  # fmt: skip

    async def history_file(ask: Ask) -> Response:
        number = ask.number()

        def make(store: Store) -> bytes:
            from analysis.report.html import history_html

            past = set_history(store, number)
            now = when(ask.house.clock.utc_ns())
            return history_html(
                past.history,
                player=past.set.player.name,
                set_name=past.set.name,
                dates=[when(one.started_utc_ns)[:10] for one in past.sessions],
                remarks=past.remarks,
                made=f"Made by lieboard {logger.__version__} on {now}",
            ).encode()

        return Response(
            await ask.house.read(make),
            media_type=_KINDS["html"],
            headers={"Content-Disposition": f'attachment; filename="history-{number}.html"'},
        )

    place = "/sessions/{number:int}"
    return [
        *view(desk, f"{place}/after", after),
        *(route for kind in _KINDS for route in view(desk, f"{place}/report.{kind}", report(kind))),
        *view(desk, "/sets/{number:int}/history", history),
        *view(desk, "/sets/{number:int}/history.html", history_file),
    ]
