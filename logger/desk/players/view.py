"""Players: all of them, and one with sets and sessions."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response
from starlette.routing import Route

from logger.desk.shell.desk import Ask, Desk, view
from logger.desk.today.view import players_of
from logger.errors import UsageError
from logger.session.corrections.sessions import delete_player, rename_player
from logger.store.rows import PlayerRow
from logger.store.store import Store

_SESSIONS = 30


def player_of(store: Store, number: int) -> PlayerRow:
    """Return a player by row number.

    Raises
    ------
    UsageError
        There is none, or they were deleted.
    """
    for player in store.sets.players():
        if player.id == number:
            return player
    raise UsageError("there is no such player: they may have been deleted; look at the changes")


def players_routes(desk: Desk) -> list[Route]:
    """Return the routes of the views."""

    async def players(ask: Ask) -> Response:
        wanted = ask.query.get("find", "").strip()
        every = await ask.house.read(players_of)
        found = [one for one in every if wanted.casefold() in one.name.casefold()]
        return ask.page("players/players.html", players=found, find=wanted, all=len(every))

    async def player(ask: Ask) -> Response:
        def look(store: Store) -> dict[str, Any]:
            own = player_of(store, ask.number())
            sets = [store.sets.get(one.id) for one in store.sets.all() if one.player == own.name]
            rows = [(row, one.name) for one in sets for row in store.sessions.all(one.id)]
            rows.sort(key=lambda row: -row[0].started_utc_ns)
            shown = rows[:_SESSIONS]
            counts = store.strikes.counts_by_session([row.id for row, _ in shown])
            sessions = [(row, name, *counts.get(row.id, (0, 0))) for row, name in shown]
            return {"player": own, "sets": sets, "sessions": sessions, "count": len(rows)}

        found = await ask.house.read(look)
        return ask.page("players/player.html", **found)

    async def rename(ask: Ask) -> Response:
        own = await ask.house.read(lambda store: player_of(store, ask.number()))
        new = ask.form.get("name", "")
        await ask.house.act(lambda store, said: rename_player(store, own.name, new, said))
        return ask.to(f"/players/{own.id}")

    async def sure(ask: Ask) -> Response:
        own = await ask.house.read(lambda store: player_of(store, ask.number()))
        return ask.page("players/delete.html", player=own)

    async def delete(ask: Ask) -> Response:
        own = await ask.house.read(lambda store: player_of(store, ask.number()))
        await ask.house.act(lambda store, said: delete_player(store, own.name, said))
        return ask.to("/players")

    return [
        *view(desk, "/players", players),
        *view(desk, "/players/{number:int}", player),
        *view(desk, "/players/{number:int}/name", None, rename),
        *view(desk, "/players/{number:int}/delete", sure, delete),
    ]
