"""Today: what now? The open session, boards, players, and what waits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from starlette.responses import Response
from starlette.routing import Route

from analysis.plan.types import Choice
from logger.desk.house import House
from logger.desk.shell.desk import Ask, Desk, view
from logger.desk.shell.words import day
from logger.errors import LieboardError, UsageError
from logger.session.results.clubs import SessionResults
from logger.store.rows import SessionRow, SetRow
from logger.store.store import Store

_PLAYERS = 6
# So many that somebody forgot to end are named.
_FORGOTTEN = 5
# A session that was begun longer ago is not what anybody is in the middle of.
_TODAY_NS = 12 * 3600 * 10**9
_DAY_NS = 24 * 3600 * 10**9
_BACKUP_DUE_DAYS = 7


@dataclass(frozen=True, slots=True)
class OpenSession:
    """A session that was not ended."""

    row: SessionRow
    own: SetRow
    used: int
    set_aside: int
    today: bool
    up: str
    """Label of the club that is up; empty: none."""
    last_mm: float | None
    """Where the latest that counts touched."""


@dataclass(frozen=True, slots=True)
class KnownPlayer:
    """A player with the latest session."""

    id: int
    name: str
    hand: str
    last: SessionRow | None
    sets: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class Day:
    """All that the view shows at once."""

    players: tuple[KnownPlayer, ...]
    more_players: int
    open: tuple[OpenSession, ...]
    boards: tuple[tuple[str, str], ...]
    """Key and name of each board that was agreed to."""


def players_of(store: Store) -> list[KnownPlayer]:
    """All players, who swung last first."""
    latest: dict[int, SessionRow] = {row.set: row for row in store.sessions.all()}
    sets = store.sets.all()
    found = []
    for player in store.sets.players():
        own = [(one.id, one.name) for one in sets if one.player == player.name]
        rows = [latest[number] for number, _ in own if number in latest]
        last = max(rows, key=lambda row: row.started_utc_ns, default=None)
        # The set that was swung last is the one that is meant.
        own.sort(key=lambda one: -latest[one[0]].started_utc_ns if one[0] in latest else 0)
        found.append(KnownPlayer(player.id, player.name, player.hand, last, tuple(own)))
    found.sort(key=lambda one: (-(one.last.started_utc_ns if one.last else 0), one.name))
    return found


def open_sessions(store: Store, now_utc_ns: int) -> tuple[OpenSession, ...]:
    """All sessions that were not ended, the latest first."""
    rows = [row for row in reversed(store.sessions.all()) if row.ended_utc_ns is None]
    current = {row.id for row in rows if abs(now_utc_ns - row.started_utc_ns) < _TODAY_NS}
    counts = store.strikes.counts_by_session(sorted(current))
    found = []
    for row in rows[: len(current) + _FORGOTTEN]:
        today = row.id in current
        own = store.sets.get(row.set)
        turns = store.sessions.turns(row.id) if today else []
        up = next((c.label for c in own.clubs if turns and c.id == turns[-1].club), "")
        struck = store.strikes.contacts(row.id) if today else []
        last = next((one.toe_mm for one in reversed(struck) if one.used), None)
        found.append(
            OpenSession(row, own, *counts.get(row.id, (0, 0)), today=today, up=up, last_mm=last)
        )
    return tuple(found)


def day_of(store: Store, now_utc_ns: int) -> Day:
    """Look up what Today shows."""
    players = players_of(store)
    found = open_sessions(store, now_utc_ns)
    boards = tuple((one.key, one.name) for one in store.agreed.all())
    return Day(tuple(players[:_PLAYERS]), max(len(players) - _PLAYERS, 0), found, boards)


def waits_of(
    store: Store, house: House, worked: Sequence[tuple[SessionRow, SessionResults]]
) -> list[tuple[str, str, str]]:
    """Say what waits, each with its words, an address, and what stands on the button."""
    found = []
    for row, results in worked:
        own = store.sets.get(row.set)
        who = own.player.name
        if results.plan is not None:
            left = [one for one in results.plan.rows if one.decision.choice is Choice.BEND]
            if left:
                what = ", ".join(f"{one.label} {one.decision.words}" for one in left)
                found.append((f"{who}: {what}", f"/sessions/{row.id}/bench", "To the bench"))
        if results.level is not None and not results.level.claimed and results.level.settles:
            needs = ", ".join(one.value for one in results.level.settles)
            found.append(
                (f"{who}, {day(row.started_utc_ns)}: {needs}, and the level is known",
                 f"/sessions/{row.id}", "Open")
            )  # fmt: skip
    due = backup_due(store, house)
    if due:
        found.append((due, "/data", "Back up"))
    return found


def backup_due(store: Store, house: House) -> str:
    """Say that a backup is due; empty while it is not."""
    sessions = store.sessions.all()
    if not sessions:
        return ""
    last = house.remembered().get("backup_utc_ns")
    latest = sessions[-1].started_utc_ns
    if not isinstance(last, int):
        return "No backup was made here yet"
    days = (house.clock.utc_ns() - last) // _DAY_NS
    if latest > last and days >= _BACKUP_DUE_DAYS:
        return f"The last backup is {days} days old, and there are sessions since"
    return ""


def today_routes(desk: Desk) -> list[Route]:
    """Return the routes of the view."""

    async def today(ask: Ask) -> Response:
        house = ask.house
        now = house.clock.utc_ns()
        found = await house.read(lambda store: day_of(store, now))
        states = {one.row.id: desk.bays.state(one.row.id) for one in found.open}
        if not found.players:
            return ask.page("today/first.html", demo=desk.demo is not None)
        return ask.page("today/today.html", day=found, states=states)

    async def now(ask: Ask) -> Response:
        """Answer with the bays as they are now, to be put in place of what was."""
        at = ask.house.clock.utc_ns()
        found = await ask.house.read(lambda store: open_sessions(store, at))
        states = {one.row.id: desk.bays.state(one.row.id) for one in found}
        return ask.page("today/now.html", open=found, states=states)

    async def waits(ask: Ask) -> Response:
        # It takes the sheets of the latest sessions, so it comes a moment later.
        house = ask.house
        players = await house.read(players_of)
        worked = []
        for player in players[:3]:
            if player.last is None or player.last.ended_utc_ns is None:
                continue
            try:
                worked.append((player.last, await house.results(player.last)))
            except LieboardError:
                # Its own view says what is wrong with it.
                continue
        found = await house.read(lambda store: waits_of(store, house, worked))
        return ask.page("today/waits.html", waits=found)

    async def demo(ask: Ask) -> Response:
        if desk.demo is None:
            raise UsageError("there is no demo here")
        job = desk.jobs.start("The demo", desk.demo.make)
        return ask.to(f"/jobs/{job.number}")

    return [
        *view(desk, "/", today),
        *view(desk, "/waits", waits),
        *view(desk, "/now", now),
        *view(desk, "/demo", None, demo),
    ]
