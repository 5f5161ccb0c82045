"""The fitting: the live view of a session, with its board, begun and ended from here."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import TypeAlias

from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from logger.desk.live import LiveFeeds
from logger.desk.shell.desk import Ask, Desk, view
from logger.desk.start.view import NO_BOARD, board_choices
from logger.errors import LieboardError, StoreError, UsageError
from logger.page.app import ASSETS, Assets, LiveSession, words_answer
from logger.session.corrections.sessions import end_session, reopen_session
from logger.store.rows import SessionRow
from logger.store.store import Store

WAYS = (
    ("", "Fitting"), ("/strikes", "Strikes"), ("/sheet", "Sheet"), ("/bench", "Bench"),
    ("/after", "After"),
)  # fmt: skip


_Answer: TypeAlias = Callable[[LiveSession, Request], Awaitable[Response]]


def fitting_routes(desk: Desk, live: LiveFeeds) -> list[Route]:
    """Return the routes of the view."""
    page = Assets(ASSETS)

    async def fitting(ask: Ask) -> Response:
        number = ask.number()
        row = await ask.house.read(lambda store: store.sessions.get(number))
        base = f"/sessions/{number}"
        units = ' data-units="in"' if ask.units.inches else ""
        text = page.text("index.html").replace('data-base=""', f'data-base="{base}"{units}')
        parts = {
            "head": '<meta name="referrer" content="same-origin">\n'
            '<link rel="stylesheet" href="/assets/fitting.css">\n'
            '<script type="module" src="/assets/fitting.js"></script>',
            "way": "",
            "tools": desk.env.get_template("fitting/tools.html").render(
                base=base, row=row, units=ask.units
            ),
            "foot": desk.env.get_template("fitting/foot.html").render(base=base),
        }
        for name, part in parts.items():
            text = text.replace(f"<!-- desk: {name} -->", part)
        ways = desk.env.get_template("fitting/ways.html").render(base=base, ways=WAYS, here="")
        text = text.replace('<header class="bar">', f'{ways}\n<header class="bar">')
        return HTMLResponse(text)

    async def bay(ask: Ask) -> Response:
        """Return what is to be done about the board, as a piece of the page."""
        number = ask.number()
        row = await ask.house.read(lambda store: store.sessions.get(number))
        state = desk.bays.state(number)
        return ask.page("fitting/bay.html", base=f"/sessions/{number}", row=row, bay=state)

    async def end(ask: Ask) -> Response:
        number = ask.number()
        await desk.bays.end(number)
        await ask.house.act(lambda store, said: end_session(store, number, said))
        return ask.to(f"/sessions/{number}/sheet")

    async def resume(ask: Ask) -> Response:
        """Open it again if it was ended, and log again from the board that is chosen."""
        number = ask.number()
        row = await ask.house.read(lambda store: store.sessions.get(number))
        if row.ended_utc_ns is not None:
            await ask.house.act(lambda store, said: reopen_session(store, number, said))
        board = ask.form.get("board", "") or _board_of(desk, number)
        if board == "other":
            board = ask.form.get("address", "").strip()
        if board and board != NO_BOARD:
            await begin(ask, number, board)
        return ask.to(f"/sessions/{number}")

    async def begin(ask: Ask, number: int, board: str) -> None:
        try:
            await desk.bays.begin(number, board)
        except LieboardError as error:
            desk.bays.note_failure(number, board, str(error))
        ask.house.remember(board=board)

    async def accept(ask: Ask) -> Response:
        """Agree to the board that answered, and log from it."""
        number = ask.number()
        state = desk.bays.state(number)
        if state is None or state.state != "stranger":
            raise UsageError("there is no new board to agree to: look at the fitting again")
        key, name = state.stranger

        def work(store: Store, said: object) -> str:
            store.agreed.add(key, name, at_utc_ns=ask.house.clock.utc_ns())
            return f"board {name} may be used from now on"

        await ask.house.act(work)
        ask.house.remember_board(key, state.url)
        await begin(ask, number, state.url)
        return ask.to(f"/sessions/{number}")

    async def stop(ask: Ask) -> Response:
        """Let the board go; the session stays open."""
        await desk.bays.end(ask.number())
        return ask.to(f"/sessions/{ask.number()}")

    async def boards(ask: Ask) -> Response:
        number = ask.number()

        def look(store: Store) -> tuple[SessionRow, object]:
            return store.sessions.get(number), board_choices(store, ask.house)

        row, choices = await ask.house.read(look)
        return ask.page("fitting/boards.html", row=row, boards=choices, base=f"/sessions/{number}")

    async def said(ask: Ask) -> Response:
        last = ask.house.last
        return JSONResponse({} if last is None else {"words": last.words, "act": last.key})

    def answered(which: _Answer) -> Callable[[Request], Awaitable[Response]]:
        async def answer(request: Request) -> Response:
            # Who may not look must not start a feed either.
            if not desk.way_in.leave(request):
                return words_answer("enter the code first", 401)
            try:
                return await which(await live.answers(int(request.path_params["number"])), request)
            except StoreError as error:
                return words_answer(str(error), 404)

        return answer

    place = "/sessions/{number:int}"
    return [
        *view(desk, place, fitting),
        *view(desk, f"{place}/bay", bay),
        *view(desk, f"{place}/board", boards),
        *view(desk, f"{place}/end", None, end),
        *view(desk, f"{place}/resume", None, resume),
        *view(desk, f"{place}/accept", None, accept),
        *view(desk, f"{place}/stop", None, stop),
        *view(desk, "/said", said),
        Route(f"{place}/state", answered(LiveSession.state), methods=["GET"]),
        Route(f"{place}/events", answered(LiveSession.events), methods=["GET"]),
        Route(f"{place}/act", answered(LiveSession.act), methods=["POST"]),
    ]


def _board_of(desk: Desk, session: int) -> str:
    """Return the board that a session was logged from last; else the one used last at all."""
    state = desk.bays.state(session)
    if state is not None:
        return state.url
    return str(desk.house.remembered().get("board", ""))
