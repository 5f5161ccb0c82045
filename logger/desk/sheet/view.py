"""The sheet: each row with its one decision and its reason; wishes are worked out at once."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response
from starlette.routing import Route

from analysis.answers import NoAnswerError
from analysis.plan.heads import CAUTIONS
from analysis.plan.types import Choice, SetPlan
from logger.desk.fitting.view import WAYS
from logger.desk.sets.table import keep_of_club, wish_words
from logger.desk.sheet.wishes import MOST_CHOICES, STEPS, SheetWishes, wishes_from
from logger.desk.shell.desk import Ask, Desk, view
from logger.errors import UsageError
from logger.session.corrections.acts import Said
from logger.session.results.clubs import SessionResults
from logger.session.results.planning import bend_plan
from logger.setfiles.cells import CellError, bias
from logger.setfiles.clubs import ClubSpec
from logger.store.rows import SessionRow
from logger.store.store import Store


def plan_with(
    store: Store, row: SessionRow, results: SessionResults, wishes: SheetWishes
) -> tuple[SetPlan | None, str]:
    """Return the sheet with these wishes, or why there is none."""
    if not wishes.any:
        return results.plan, results.no_plan
    try:
        return bend_plan(store, row, results.picture, wishes.for_plan), ""
    except NoAnswerError as error:
        return None, str(error)


def sheet_routes(desk: Desk) -> list[Route]:
    """Return the routes of the view."""

    async def sheet(ask: Ask, status: int = 200, trouble: str = "") -> Response:
        number = ask.number()
        wishes = wishes_from(ask.request.query_params)
        row = await ask.house.read(lambda store: store.sessions.get(number))
        results = await ask.results(row)

        def look(store: Store) -> dict[str, Any]:
            plan, no_plan = plan_with(store, row, results, wishes)
            return {"own": store.sets.get(row.set), "plan": plan, "no_plan": no_plan}

        found = await ask.house.read(look)
        plan = found["plan"]
        bends = [] if plan is None else [
            one for one in plan.rows if one.decision.choice is Choice.BEND
        ]  # fmt: skip
        return ask.page(
            "sheet/sheet.html", status, row=row, base=f"/sessions/{number}", ways=WAYS,
            way="/sheet", results=results, wishes=wishes, trouble=trouble, bends=bends,
            most_choices=MOST_CHOICES, steps=STEPS, cautions=CAUTIONS, wish_words=wish_words,
            form=ask.form, **found,
        )  # fmt: skip

    async def wish(ask: Ask) -> Response:
        """Keep what is wanted of a club: a word of the set, true from the start."""
        number, label = ask.number(), ask.form["club"]
        typed = ask.form["wanted"].strip()
        row = await ask.house.read(lambda store: store.sessions.get(number))

        def work(store: Store, said: Said) -> str:
            own = store.sets.get(row.set)
            club = next((one for one in own.clubs if one.label == label), None)
            if club is None:
                raise UsageError(f"there is no club {label} in the set {own.name}")
            spec = club.spec
            try:
                size, unit = bias(typed, None) if typed else (0.0, spec.bias_unit or "deg")
            except CellError as error:
                raise UsageError(
                    f"{label}: {error}. Write it such as 2 mm heel, 1 deg flat or 4 m right"
                ) from None
            if (size, unit) == (spec.bias or 0.0, spec.bias_unit or unit):
                raise UsageError(f"{label}: that is wanted already")
            return keep_of_club(store, own, label, ClubSpec(bias=size, bias_unit=unit), said)

        try:
            await ask.house.act(work)
        except UsageError as error:
            return await sheet(ask, 400, str(error))
        return ask.back(f"/sessions/{number}/sheet")

    place = "/sessions/{number:int}/sheet"
    return [*view(desk, place, sheet), *view(desk, f"{place}/wish", None, wish)]
