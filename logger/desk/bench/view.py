"""The bench: one club at a time, large. Pull, measure, keep it as a bend, next pull."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response
from starlette.routing import Route

from analysis.plan.heads import CAUTIONS
from logger.desk.fitting.view import WAYS
from logger.desk.sheet.view import plan_with
from logger.desk.sheet.wishes import wishes_from
from logger.desk.shell.desk import Ask, Desk, view
from logger.errors import UsageError
from logger.session.corrections.acts import Said
from logger.session.corrections.words import BendWords, doubts_of_bend, keep_bend
from logger.session.logging.fitting import club_of
from logger.session.results.bench import BenchClub, bench_clubs
from logger.setfiles.cells import CellError, angle_deg
from logger.store.store import Store


def bench_routes(desk: Desk) -> list[Route]:
    """Return the routes of the view."""

    async def bench(
        ask: Ask, status: int = 200, trouble: str = "", doubts: tuple[str, ...] = ()
    ) -> Response:
        number = ask.number()
        wishes = wishes_from(ask.request.query_params)
        row = await ask.house.read(lambda store: store.sessions.get(number))
        results = await ask.results(row)

        def look(store: Store) -> dict[str, Any]:
            plan, no_plan = plan_with(store, row, results, wishes)
            clubs = [] if plan is None else bench_clubs(store, row, results, plan)
            step = 0.5 if plan is None else plan.rules.increment_deg
            return {
                "own": store.sets.get(row.set), "clubs": clubs, "no_plan": no_plan, "step": step,
            }  # fmt: skip

        found = await ask.house.read(look)
        clubs: list[BenchClub] = found["clubs"]
        wanted = ask.form["club"] or ask.query.get("club", "")
        now = next((one for one in clubs if one.label == wanted), None)
        # The next that has something left to pull.
        now = now or next((one for one in clubs if one.pulls_deg), clubs[0] if clubs else None)
        after = next((one for one in clubs if one.pulls_deg and one is not now), None)
        return ask.page(
            "bench/bench.html", status, row=row, base=f"/sessions/{number}", ways=WAYS,
            way="/bench", now=now, after=after, wishes=wishes, trouble=trouble, doubts=doubts,
            cautions=CAUTIONS, form=ask.form, quick=_quick(now, found["step"]), **found,
        )  # fmt: skip

    async def measured(ask: Ask) -> Response:
        number, form = ask.number(), ask.form
        try:
            before = _angle(form["before"], "the lie before", 50, 80)
            after = _angle(form["quick"] or form["after"], "the lie now", 50, 80)
            lofts = [
                _angle(form[name], "the loft", 10, 75) if form[name].strip() else None
                for name in ("loft_before", "loft_after")
            ]
            planned = float(form["planned"]) if form["planned"] else None
        except (UsageError, ValueError) as error:
            return await bench(ask, 400, str(error))
        bend = BendWords(before, after, lofts[0], lofts[1], planned)
        doubts: list[str] = []

        def work(store: Store, said: Said) -> str:
            own = store.sets.get(store.sessions.get(number).set)
            club = club_of(own, form["club"])
            doubts.extend(doubts_of_bend(store, own, club, bend))
            if doubts and form["sure"] != "1":
                return ""
            return keep_bend(store, own, club, bend, said)

        try:
            kept = await ask.house.act(work)
        except UsageError as error:
            return await bench(ask, 400, str(error))
        if not kept:
            return await bench(ask, 409, doubts=tuple(doubts))
        query = wishes_from(ask.request.query_params).query
        sign = "&" if query else "?"
        return ask.to(f"/sessions/{number}/bench{query}{sign}club={form['club']}")

    return view(desk, "/sessions/{number:int}/bench", bench, measured)


def _quick(club: BenchClub | None, step: float) -> list[float]:
    """Return lies that are likely to be read after the next pull, in the order of the pull."""
    if club is None or club.lie_deg is None or not club.pulls_deg:
        return []
    goal = club.lie_deg + club.pulls_deg[0]
    small = min(step, 0.5)
    sign = 1 if club.pulls_deg[0] > 0 else -1
    return [round(goal + sign * small * place, 2) for place in (-2, -1, 0, 1)]


def _angle(text: str, what: str, least: float, greatest: float) -> float:
    if not text.strip():
        raise UsageError(f"{what} is missing: type what the gauge reads")
    try:
        return angle_deg(text, None, least, greatest)
    except CellError as error:
        raise UsageError(f"{what}: {error}") from None
