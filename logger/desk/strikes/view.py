"""Strikes: a list beside the rub on the sole; moved, set aside, brought in with two taps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from starlette.responses import Response
from starlette.routing import Route

from analysis.conventions import USUAL_SOLE_MM
from logger.desk.fitting.view import WAYS
from logger.desk.live import DeskActor
from logger.desk.shell.desk import Ask, Desk, view
from logger.desk.shell.sole import Sole
from logger.desk.shell.words import Units
from logger.errors import UsageError
from logger.page.acts import perform
from logger.page.look import page_id
from logger.session.corrections.acts import stamp_of
from logger.session.corrections.strikes import Move, forgotten_steps, move_strikes
from logger.session.corrections.words import keep_mark
from logger.session.logging.fitting import FittingSession, club_of
from logger.session.results.clubs import SessionResults
from logger.session.results.rub import ContactLine, added_up, agreement, contact_lines, rubs_of
from logger.setfiles.cells import CellError, length_mm
from logger.store.rows import ClubRow, SessionRow, SetRow
from logger.store.store import Store

_PAGE = 60
_FEW_ASIDES = 4


@dataclass(frozen=True, slots=True)
class Chosen:
    """The contact that was tapped, and what can be done with it."""

    line: ContactLine
    last: int
    """Number of the last of its club that follows it without another club between."""
    to_the_end: bool
    """Whether nothing of another club was struck after."""
    clubs: tuple[str, ...]
    """Where it could have been meant for, likely ones first."""


def choose(lines: Sequence[ContactLine], number: int, order: Sequence[ClubRow]) -> Chosen | None:
    """Return a contact by its number, and the run of its club from there on."""
    line = next((one for one in lines if one.row.number == number), None)
    if line is None:
        return None
    last = number
    for one in lines:
        if one.row.number <= number:
            continue
        if one.label != line.label:
            break
        last = one.row.number
    labels = [club.label for club in order if club.label != line.label]
    at = next((i for i, club in enumerate(order) if club.label == line.label), -1)
    # Who forgets to press next goes on to the club that follows, or came from the one before.
    near = [order[(at + step) % len(order)].label for step in (1, -1)] if at >= 0 else []
    likely = [label for label in dict.fromkeys(near) if label != line.label]
    rest = [label for label in labels if label not in likely]
    return Chosen(line, last, last == len(lines), (*likely, *rest))


def strikes_routes(desk: Desk) -> list[Route]:
    """Return the routes of the view."""
    actor = DeskActor(desk.house, desk.bays)

    async def strikes(ask: Ask, status: int = 200, trouble: str = "") -> Response:
        number = ask.number()
        row = await ask.house.read(lambda store: store.sessions.get(number))
        results = await ask.results(row)
        at = ask.query.get("at", "")
        wanted = int(at) if at.isascii() and at.isdecimal() and len(at) < 8 else 0
        found = await ask.house.read(
            lambda store: _look(store, row, results, wanted, ask.query.get("club", ""), ask.units)
        )
        every = ask.query.get("all") == "1"
        own = [one for one in reversed(found["lines"]) if found["only"] in ("", one.label)]
        # What the rules set aside is many, and seldom asked for; what a person did is always shown.
        asides = [one for one in own if one.row.set_aside == "rule" and one.row.number != wanted]
        with_asides = ask.query.get("aside") == "1" or len(asides) <= _FEW_ASIDES
        hidden = set() if with_asides else {one.row.number for one in asides}
        shown = [one for one in own if one.row.number not in hidden]
        count = len(shown)
        if not every and len(shown) > _PAGE:
            near = next((i for i, one in enumerate(shown) if one.row.number == wanted), 0)
            shown = shown[: max(_PAGE, near + 5)]
        more = count - len(shown)
        return ask.page(
            "strikes/strikes.html", status, row=row, base=f"/sessions/{number}", ways=WAYS,
            way="/strikes", shown=shown, more=more, hidden=len(hidden), asides=len(asides),
            tail="&aside=1" if ask.query.get("aside") == "1" else "", trouble=trouble,
            form=ask.form, **found,
        )  # fmt: skip

    async def move(ask: Ask) -> Response:
        number, form = ask.number(), ask.form
        try:
            first, last = int(form.get("first", "")), int(form.get("last", ""))
            seen = int(form.get("seen", ""))
        except ValueError:
            raise UsageError("say which strikes: tap one in the list") from None
        club = form.get("club", "")
        await ask.house.act(
            lambda store, said: move_strikes(
                store, number, [Move(first, last, club)], said, seen_stamp=seen
            )
        )
        if form.get("up") == "1":
            # What is struck next is meant for that club too.
            row = await ask.house.read(lambda store: store.sessions.get(number))
            if row.ended_utc_ns is None:
                await actor.do(number, {"act": "choose_club", "club": club})
        return ask.to(f"/sessions/{number}/strikes?at={first}#at")

    async def turn(ask: Ask) -> Response:
        """Set a contact aside, or bring it in."""
        number, form = ask.number(), ask.form
        kind = "bring_in" if form.get("turn") == "bring_in" else "set_aside"
        try:
            strike = int(form.get("strike", ""))
        except ValueError:
            raise UsageError("say which strike: tap one in the list") from None
        act = {"act": kind, "strike": strike}
        await ask.house.act(
            lambda store, said: perform(
                FittingSession(store, number), act, lambda: said.utc_ns, said.place
            )
        )
        return ask.to(f"/sessions/{number}/strikes?at={form.get('at', '')}#at")

    async def mark(ask: Ask) -> Response:
        number, form = ask.number(), ask.form
        try:
            toe = _side(form, "toe", ask.units)
            trail = _side(form, "trail", ask.units) if form.get("trail", "").strip() else None
            u_mm = length_mm(form.get("u", "1"), "mm", 0.01, 10)
        except (CellError, UsageError) as error:
            return await strikes(ask, 400, str(error))
        audits = form.get("audits", "").strip()

        def work(store: Store, said: Any) -> str:  # noqa: ANN401
            row = store.sessions.get(number)
            club = club_of(store.sets.get(row.set), form.get("club", ""))
            beside = None
            if audits:
                if not (audits.isascii() and audits.isdecimal() and len(audits) < 8):
                    raise UsageError(f"{audits} is no strike's number")
                beside = FittingSession(store, number).audited(int(audits), club).id
            return keep_mark(
                store, number, club, said, toe_mm=toe, trail_mm=trail, u_mm=u_mm, audits=beside
            )

        try:
            await ask.house.act(work)
        except UsageError as error:
            return await strikes(ask, 400, str(error))
        if form["at"].isdecimal():
            return ask.to(f"/sessions/{number}/strikes?at={form['at']}#at")
        return ask.to(f"/sessions/{number}/strikes?{urlencode({'club': form['club']})}")

    place = "/sessions/{number:int}/strikes"
    return [
        *view(desk, place, strikes),
        *view(desk, f"{place}/move", None, move),
        *view(desk, f"{place}/turn", None, turn),
        *view(desk, f"{place}/mark", strikes, mark),
    ]


def _side(form: dict[str, str], name: str, units: Units) -> float:
    """Read a length with its side."""
    value = length_mm(form.get(name, ""), units.name, 0, 60 if name == "toe" else 25)
    return math.copysign(value, -1 if form.get(f"{name}-side") in ("heel", "leading") else 1)


def _look(
    store: Store, row: SessionRow, results: SessionResults, wanted: int, only: str, units: Units
) -> dict[str, Any]:
    own: SetRow = store.sets.get(row.set)
    lines = contact_lines(store, row, results.picture)
    pivot = [club for club in own.clubs if club.id == own.pivot_club]
    order = [*pivot, *(club for club in own.clubs if club.id != own.pivot_club)]
    chosen = choose(lines, wanted, order)
    counted = [one for one in lines if one.label]
    label = chosen.line.label if chosen and chosen.line.label else only
    if not label and counted:
        label = counted[-1].label
    club = next((one for one in results.clubs if one.label == label), None)
    rubs = rubs_of(store, row, results.picture, label)
    rub = added_up(list(rubs.values()))
    if chosen is not None and chosen.line.row.source == "board":
        rub = rubs.get(chosen.line.row.id, rub if not chosen.line.used else None)
    length = USUAL_SOLE_MM
    if club is not None:
        length = club.evidence.club.spec.sole_length_mm or USUAL_SOLE_MM
    placed = [one for one in lines if one.label == label and one.used and one.toe_mm is not None]
    points: dict[str, list[tuple[float, float | None, bool]]] = {"board": [], "mark": []}
    for one in placed:
        is_it = chosen is not None and one.row.number == chosen.line.row.number
        points[one.row.source].append((one.toe_mm or 0.0, one.row.trail_mm, is_it))
    return {
        "own": own, "lines": lines, "chosen": chosen, "club": club, "label": label,
        "only": only if any(one.label == only for one in lines) else "",
        "rub": rub, "sole": Sole(length, row.hand, units.inches), "points": points,
        "agreement": agreement(lines, label), "forgotten": forgotten_steps(store, row.id),
        "seen": stamp_of(store, row.id), "page_id": page_id,
        "labels": [one.label for one in own.clubs],
    }  # fmt: skip
