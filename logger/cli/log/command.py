"""``lieboard log``: log a session from a board."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.common import DbOption, open_store, output, say, utc_now_ns
from logger.cli.log.checks import ask_stance, check_agreed, check_lengths
from logger.cli.page_options import USUAL_PORT, LetInOption, PagePortOption, ShareOption

if TYPE_CHECKING:
    from logger.session.logging.fitting import FittingSession


def log(
    ports: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="PORT",
            help="Serial port, ble://NAME or ble://BOARD-ID, socket://HOST:PORT, "
            "rfc2217://HOST:PORT, or capture:FILE to play a recording. Several: one bay each.",
        ),
    ] = None,
    players: Annotated[
        list[str] | None,
        typer.Option("--player", help="Whose set; with several ports one for each, in order."),
    ] = None,
    set_names: Annotated[
        list[str] | None, typer.Option("--set", help="Which set; as --player.")
    ] = None,
    clubs: Annotated[
        list[str] | None,
        typer.Option("--club", help="Club to begin with, else the pivot; as --player."),
    ] = None,
    bays: Annotated[
        Path | None,
        typer.Option(
            "--bays",
            help="TOML file: a [[bay]] for each, with port, player, and set, club, stance_mm, ...",
        ),
    ] = None,
    baud: Annotated[int, typer.Option(help="Baud rate of a serial port.")] = 115_200,
    stance: Annotated[
        float | None,
        typer.Option(
            help="How much lower the feet stand than the board's surface, mm; left out, it is "
            "asked for at a terminal, else not known, and no club is bent by its level."
        ),
    ] = None,
    stance_u: Annotated[float, typer.Option(help="How well that is known, mm (one sigma).")] = 1.5,
    sole_middle: Annotated[
        float | None, typer.Option(help="Address mark: mm from the strip's middle, board's sign.")
    ] = None,
    sole_middle_u: Annotated[
        float, typer.Option(help="How far delivery may stray from it on average, mm (one sigma).")
    ] = 10.0,
    ball: Annotated[bool, typer.Option("--ball/--no-ball", help="Hitting a ball?")] = True,
    surface: Annotated[str | None, typer.Option(help="What the board lies on.")] = None,
    left: Annotated[bool, typer.Option("--left", help="Left-handed swings today.")] = False,
    trigger: Annotated[
        int | None, typer.Option(help="Set the board's trigger, counts.", min=0, max=65535)
    ] = None,
    capture: Annotated[
        Path | None, typer.Option(help="Also record every byte to this new file.")
    ] = None,
    new: Annotated[bool, typer.Option("--new", help="Do not go on with an open session.")] = False,
    wait: Annotated[bool, typer.Option("--wait", help="Wait for a port not there yet.")] = False,
    pair: Annotated[
        bool, typer.Option("--pair", help="Bluetooth LE: pair first; hold the board's button.")
    ] = False,
    accept: Annotated[
        bool, typer.Option("--accept", help="Use a board never used with this data file.")
    ] = False,
    page: Annotated[
        bool, typer.Option("--page", help="Also show the session live in the browser.")
    ] = False,
    page_port: PagePortOption = USUAL_PORT,
    share: ShareOption = False,
    let_in: LetInOption = False,
    db: DbOption = None,
) -> None:
    """Log strikes club by club; goes on with a session that was cut off.

    Room around and above, nobody in front, board fixed so that it cannot slide, cables out of
    the swing.

    Example: lieboard log /dev/ttyACM0 --club 7i --stance 0

    Several at once: lieboard log /dev/ttyACM0 ble://north --player "Robin Ashdown" --player "Mika
    Tarn", or lieboard log --bays bays.toml
    """
    import asyncio
    from contextlib import ExitStack

    from logger.cli.log.page import LivePage
    from logger.cli.log.plain import log_plainly
    from logger.errors import LieboardError
    from logger.session.logging.opening import Circumstances, open_session, session_to_go_on_with
    from logger.session.logging.run import RunSettings

    check_lengths(
        stance=stance, stance_u=stance_u, sole_middle=sole_middle, sole_middle_u=sole_middle_u
    )
    interactive = sys.stdin.isatty() and sys.stdout.isatty()
    _prepare_interpreter()
    if bays is not None or len(ports or ()) > 1:
        from logger.cli.log.bays import bays_in, log_bays, wishes_from_ports
        from logger.session.logging.bays_file import BayWish

        LivePage.refuse_for_bays(page=page)
        common = BayWish(
            "", "", None, None, None, stance, stance_u, sole_middle, sole_middle_u,
            ball, surface, left, baud, trigger, capture,
        )  # fmt: skip
        wishes = (
            wishes_from_ports(ports or (), players or (), set_names or (), clubs or (), common)
            if bays is None
            else bays_in(bays, ports, players, set_names, clubs)
        )
        log_bays(db, wishes, interactive=interactive, new=new, pair=pair, accept=accept)
        return
    port, player, set_name, club = _only_one(ports, players, set_names, clubs)
    with open_store(db) as store, ExitStack() as beside:
        begin_ns = _begin_ns(port)
        going_on = session_to_go_on_with(
            store, player=player, set_name=set_name, now_utc_ns=begin_ns
        )
        if going_on is not None and not new:
            check_agreed(going_on, stance=stance, sole_middle=sole_middle, left=left)
        elif stance is None and interactive and not port.startswith("capture:"):
            stance = ask_stance()
        agreed = Circumstances(
            hand="left" if left else None,
            stance_mm=stance,
            stance_u_mm=stance_u,
            sole_middle_mm=sole_middle or 0.0,
            sole_middle_u_mm=sole_middle_u,
            ball=ball,
            surface=surface,
        )
        board_id = None
        if port.lower().startswith("ble:"):
            from logger.cli.board.air import agree_on_board

            port, board_id = agree_on_board(store, port, accept=accept, ask=interactive, wait=wait)
        settings = RunSettings(port, baud, trigger, capture, wait, pair, board_id, accept=accept)
        live_page = beside.enter_context(
            LivePage.wanted(page=page, port=page_port, share=share, let_in=let_in)
        )
        session = open_session(
            store,
            player=player,
            set_name=set_name,
            now_utc_ns=begin_ns,
            circumstances=agreed,
            always_new=new,
            club=club,
        )
        if going_on is not None and not new:
            say(resumed_words(session))
        if club is not None:
            session.choose_club(club, begin_ns, cause="start")
        try:
            if interactive:
                from logger.cli.board.first_use import until_agreed
                from logger.cli.log.interactive import log_interactively

                until_agreed(
                    store,
                    lambda: asyncio.run(
                        log_interactively(session, settings, title_of(session), live_page)
                    ),
                )
            else:
                from logger.cli.terminal.output import steady_say

                with steady_say() as line:
                    asyncio.run(log_plainly(session, settings, title_of(session), line, live_page))
        except LieboardError:
            # A port that did not open leaves no session behind that would pass for the latest.
            if going_on is None or new:
                store.sessions.remove_empty(session.row.id)
            raise
        _closing_words(session)


def _prepare_interpreter() -> None:
    """Let nothing look through all objects all the time.

    Looking for garbage took a tenth of the processor time (perf, tests/benchmarks/load.py).
    """
    import gc

    # What is loaded by now stays until the end.
    gc.freeze()
    gc.set_threshold(10_000, 20, 20)


def title_of(session: FittingSession) -> str:
    """Name a session in one line."""
    return f"session {session.row.id} · {session.set.player.name} · {session.set.name}"


def resumed_words(session: FittingSession) -> str:
    """Say that a session is resumed, what it rests on, and how to begin another instead."""
    row = session.row
    count = len(session.store.strikes.contacts(row.id))
    feet = (
        "feet level with the board"
        if row.stance_mm == 0
        else f"feet {abs(row.stance_mm):g} mm {'lower' if row.stance_mm > 0 else 'higher'} than "
        "the board"
    )
    return (
        f"Resumed: {title_of(session)}, {row.hand}-handed, {feet} ± {row.stance_u_mm:g} mm, "
        f"{count} {'strike' if count == 1 else 'strikes'}. Another one begins with --new; "
        f"'lieboard session change {row.id}' changes player, set or stance."
    )


def _only_one(
    ports: list[str] | None,
    players: list[str] | None,
    set_names: list[str] | None,
    clubs: list[str] | None,
) -> tuple[str, str | None, str | None, str | None]:
    """Return the one port and the words that go with it."""
    from logger.errors import UsageError

    if not ports:
        raise UsageError("no port given: 'lieboard boards' shows where a board could be")
    for option, given in (("--player", players), ("--set", set_names), ("--club", clubs)):
        if given and len(given) > 1:
            raise UsageError(f"{option} is there {len(given)} times for one port")
    player, set_name, club = (given[0] if given else None for given in (players, set_names, clubs))
    return ports[0], player, set_name, club


def _begin_ns(port: str) -> int:
    """Return when this session begins: now, or when the capture did."""
    if not port.startswith("capture:"):
        return utc_now_ns()
    from logger.links.replay import capture_begin_utc_ns

    return capture_begin_utc_ns(port)


def _closing_words(session: FittingSession) -> None:
    console = output()
    if session.before_start:
        console.print(
            f"{session.before_start} records were struck before this session began: stored, "
            "filed under no club."
        )
    console.print("Next: lieboard clubs, lieboard sheet")
