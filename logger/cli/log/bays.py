"""``lieboard log`` with several boards: one session and one player for each."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from logger.cli.common import open_store, output, utc_now_ns
from logger.cli.log.book import LogBook
from logger.cli.log.checks import ask_stance, check_agreed, check_lengths
from logger.cli.log.plain import PlainVoice, until_stopped
from logger.errors import LieboardError, UsageError
from logger.links.open import comes_back
from logger.session.logging.bays import Bay, BayEnded, BayEvent, BaysRun
from logger.session.logging.bays_file import BayWish, read_bays
from logger.session.logging.opening import open_session, session_to_go_on_with
from logger.session.logging.run import RunSettings

if TYPE_CHECKING:
    from logger.store.store import Store


def wishes_from_ports(
    ports: Sequence[str],
    players: Sequence[str],
    sets: Sequence[str],
    clubs: Sequence[str],
    common: BayWish,
) -> list[BayWish]:
    """Make a wish for each port; players, sets and clubs stand in the order of the ports."""
    for option, given in (("--player", players), ("--set", sets), ("--club", clubs)):
        if given and len(given) != len(ports):
            raise UsageError(
                f"{option} is there {len(given)} times for {len(ports)} ports: give one for each "
                "port, in the same order, or write a file of bays (--bays)"
            )
    if common.capture is not None:
        raise UsageError(
            "--capture records one board: write a file of bays (--bays) with a capture for each"
        )
    return [
        replace(
            common,
            name=f"bay {number + 1}",
            port=port,
            player=players[number] if players else None,
            set_name=sets[number] if sets else None,
            club=clubs[number] if clubs else None,
        )
        for number, port in enumerate(ports)
    ]


def bays_in(file: Path, *beside: Sequence[str] | None) -> list[BayWish]:
    """Read a file of bays; ports, players, sets and clubs stand in it and nowhere else."""
    if any(beside):
        raise UsageError("--bays names every bay's port, player, set and club: leave them out here")
    return read_bays(file)


def log_bays(
    db: Path | None,
    wishes: Sequence[BayWish],
    *,
    interactive: bool,
    new: bool,
    pair: bool,
    accept: bool,
) -> None:
    """Log all bays until told to stop; sessions that were cut off are gone on with."""
    with open_store(db) as store:
        opened: list[Bay] = []
        before = {row.id for row in store.sessions.all()}
        try:
            for wish in wishes:
                opened.append(
                    _open_bay(store, wish, new=new, pair=pair, accept=accept, ask=interactive)
                )
            if interactive:
                from logger.cli.log.bays_interactive import log_bays_interactively

                asyncio.run(log_bays_interactively(opened))
            else:
                from logger.cli.terminal.output import steady_say

                with steady_say() as line:
                    asyncio.run(_log_plainly(opened, line))
        except LieboardError:
            # What failed leaves no session behind that would pass for the latest.
            for bay in opened:
                if bay.session.row.id not in before:
                    store.sessions.remove_empty(bay.session.row.id)
            raise
    output().print("Next: lieboard sessions, then lieboard clubs --session N")


def _open_bay(
    store: Store, wish: BayWish, *, new: bool, pair: bool, accept: bool, ask: bool
) -> Bay:
    if not comes_back(wish.port):
        raise UsageError(f"{wish.name}: a recording is played back alone: lieboard log {wish.port}")
    check_lengths(
        stance=wish.stance_mm,
        stance_u=wish.stance_u_mm,
        sole_middle=wish.sole_middle_mm,
        sole_middle_u=wish.sole_middle_u_mm,
    )
    now_ns = utc_now_ns()
    who = {"player": wish.player, "set_name": wish.set_name, "now_utc_ns": now_ns}
    going_on = None if new else session_to_go_on_with(store, **who)  # type: ignore[arg-type]
    if going_on is not None:
        check_agreed(going_on, stance=wish.stance_mm, sole_middle=wish.sole_middle_mm,
                     left=wish.left)  # fmt: skip
    elif wish.stance_mm is None and ask:
        wish = replace(wish, stance_mm=ask_stance(f"{wish.name}: "))
    port, board_id = wish.port, None
    if port.lower().startswith("ble:"):
        from logger.cli.board.air import agree_on_board

        port, board_id = agree_on_board(store, port, accept=accept, ask=ask, wait=False)
    session = open_session(
        store,
        player=wish.player,
        set_name=wish.set_name,
        now_utc_ns=now_ns,
        circumstances=wish.circumstances,
        always_new=new,
        club=wish.club,
    )
    if wish.club is not None:
        session.choose_club(wish.club, now_ns, cause="start")
    # A board that is not there yet must not end the others: each is waited for.
    settings = RunSettings(
        port, wish.baud, wish.trigger, wish.capture, True, pair, board_id, accept=accept
    )
    return Bay(wish.name, session, settings)


async def _log_plainly(bays: Sequence[Bay], say: Callable[[str], None]) -> None:
    voices: dict[str, PlainVoice] = {}
    for bay in bays:
        own = bay.session.set
        title = f"{bay.name}: session {bay.session.row.id} · {own.player.name} · {own.name}"
        say(title)
        voices[bay.name] = PlainVoice(LogBook(title, bay.session.order), _prefixed(bay, say))

    def hear(bay: Bay, event: BayEvent) -> None:
        if isinstance(event, BayEnded):
            if event.error is not None:
                say(f"{bay.name}: ended, the others go on: {event.error}")
        else:
            voices[bay.name].hear(event)

    await until_stopped(BaysRun(bays, hear).run(), say)


def _prefixed(bay: Bay, say: Callable[[str], None]) -> Callable[[str], None]:
    return lambda text: say(f"{bay.name}: {text}")
