"""Sessions of all players: searched, opened, put right, deleted and brought back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from starlette.responses import Response
from starlette.routing import Route

from logger.desk.fitting.view import WAYS
from logger.desk.shell.desk import Ask, Desk, view
from logger.desk.shell.words import day
from logger.desk.start.view import stance_from, stance_words
from logger.errors import UsageError
from logger.session.corrections.acts import Said, stamp_of
from logger.session.corrections.sessions import (
    SessionWishes,
    change_session,
    delete_session,
    join_sessions,
    split_session,
)
from logger.session.corrections.words import keep_note
from logger.store.rows import SessionRow
from logger.store.store import Store

_PAGE = 50


def sessions_routes(desk: Desk) -> list[Route]:
    """Return the routes of the views."""

    async def sessions(ask: Ask) -> Response:
        wanted = ask.query.get("find", "").strip()
        page = ask.query.get("page", "1")
        at = max(int(page), 1) if page.isascii() and page.isdecimal() and len(page) < 6 else 1

        def look(store: Store) -> dict[str, Any]:
            rows = store.sessions.all()
            names = {one.id: (one.player, one.name) for one in store.sets.all()}
            found = []
            for row in reversed(rows):
                player, set_name = names.get(row.set, ("", ""))
                said = f"{player} {set_name} {row.id} {day(row.started_utc_ns)} {row.note or ''}"
                if all(word in said.casefold() for word in wanted.casefold().split()):
                    found.append((row, player, set_name))
            shown = found[(at - 1) * _PAGE : at * _PAGE]
            counts = store.strikes.counts_by_session([row.id for row, _, _ in shown])
            listed = [(*one, *counts.get(one[0].id, (0, 0))) for one in shown]
            return {"found": listed, "count": len(found), "all": len(rows)}

        seen = await ask.house.read(look)
        pages = -(-seen["count"] // _PAGE)
        return ask.page("sessions/sessions.html", find=wanted, at=at, pages=pages, **seen)

    async def facts(ask: Ask, status: int = 200, trouble: str = "") -> Response:
        number = ask.number()

        def look(store: Store) -> dict[str, Any]:
            row = store.sessions.get(number)
            own = store.sets.get(row.set)
            sets = store.sets.all()
            same = {one.id for one in sets if one.player == own.player.name}
            others = [one for one in store.sessions.all() if one.id != number and one.set in same]
            return {
                "row": row, "own": own, "sets": sets, "others": others[-40:],
                "seen": stamp_of(store, number), "notes": store.sessions.notes(number),
                "contacts": len(store.strikes.contacts(number)),
            }  # fmt: skip

        found = await ask.house.read(look)
        row: SessionRow = found["row"]
        return ask.page(
            "sessions/facts.html", status, base=f"/sessions/{number}", ways=WAYS, way="/facts",
            stance=stance_words(row, ask.units), trouble=trouble, form=ask.form, **found,
        )  # fmt: skip

    def does(work: Callable[[Ask, Store, Said], str], to: str | None = None) -> Any:  # noqa: ANN401
        async def answer(ask: Ask) -> Response:
            if desk.bays.actor(ask.number()) is not None:
                words = "a board is logging this session: end it first, then put it right"
                return await facts(ask, 409, words)
            try:
                await ask.house.act(lambda store, said: work(ask, store, said))
            except UsageError as error:
                return await facts(ask, 400, str(error))
            return ask.to(to or f"/sessions/{ask.number()}/facts")

        return answer

    def change(ask: Ask, store: Store, said: Said) -> str:
        form, row = ask.form, store.sessions.get(ask.number())
        stance: dict[str, Any] = {}
        if form["stance"] == "unknown":
            stance = {"stance_unknown": True}
        elif form["stance"]:
            stance = {"stance_mm": stance_from(form["stance"], form["by"], ask.units)}
        chosen = form["set"]
        wishes = SessionWishes(
            set_id=int(chosen) if chosen.isdecimal() and int(chosen) != row.set else None,
            hand="left" if form["hand"] == "left" else "right",
            ball=form["ball"] == "yes",
            surface=form["surface"],
            note=form["note"],
            **stance,
        )
        seen = int(form["seen"]) if form["seen"].lstrip("-").isdecimal() else None
        return change_session(store, row.id, wishes, said, seen_stamp=seen)

    def join(ask: Ask, store: Store, said: Said) -> str:
        return join_sessions(store, ask.number(), _number(ask, "other"), said)

    def split(ask: Ask, store: Store, said: Said) -> str:
        return split_session(store, ask.number(), _number(ask, "at"), said)

    def delete(ask: Ask, store: Store, said: Said) -> str:
        return delete_session(store, ask.number(), said)

    def note(ask: Ask, store: Store, said: Said) -> str:
        return keep_note(store, ask.number(), ask.form["text"], said)

    place = "/sessions/{number:int}"
    return [
        *view(desk, "/sessions", sessions),
        *view(desk, f"{place}/facts", facts, does(change)),
        *view(desk, f"{place}/join", facts, does(join)),
        *view(desk, f"{place}/split", facts, does(split)),
        *view(desk, f"{place}/delete", None, does(delete, "/sessions")),
        *view(desk, f"{place}/note", facts, does(note)),
    ]


def _number(ask: Ask, name: str) -> int:
    text = ask.form[name].strip()
    if not (text.isascii() and text.isdecimal() and len(text) < 12):
        raise UsageError(f"{text or 'nothing'} is no number: type one from the list")
    return int(text)
