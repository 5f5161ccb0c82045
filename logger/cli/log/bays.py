"""What is wanted of each bay, its session, and logging all of them until told to stop."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from logger.cli.common import open_store, output, say, utc_now_ns
from logger.cli.log.checks import ask_resume, ask_stance, check_agreed, check_lengths
from logger.cli.log.page import LivePage
from logger.errors import LieboardError, StrangeBoardError, UsageError
from logger.links.open import comes_back
from logger.session.logging.bays import Bay
from logger.session.logging.bays_file import BayWish, read_bays
from logger.session.logging.opening import open_session, session_to_resume
from logger.session.logging.run import RunSettings

if TYPE_CHECKING:
    from logger.cli.log.options import LogOptions
    from logger.store.rows import SessionRow
    from logger.store.store import Store


def bays_wanted(options: LogOptions) -> list[BayWish]:
    """Return what is wanted of each bay: of the ports in their order, or out of a file of bays.

    Raises
    ------
    UsageError, ConfigError
        The options or the file make no sense.
    """
    ports = options.ports or ()
    per_port = {"--player": options.players, "--set": options.sets, "--club": options.clubs}
    if options.bays is not None:
        if ports or any(per_port.values()):
            raise UsageError(
                "--bays names every bay's port, player, set and club: leave them out here"
            )
        return read_bays(options.bays)
    if not ports:
        raise UsageError("no port given: 'lieboard boards' shows where a board could be")
    for option, given in per_port.items():
        if given and len(given) != len(ports):
            how_many = "one port" if len(ports) == 1 else f"{len(ports)} ports"
            raise UsageError(
                f"{option}: {len(given)} given for {how_many}: give one for each port, in the same "
                "order, or write a file of bays (--bays)"
            )
    if options.capture is not None and len(ports) > 1:
        raise UsageError(
            "--capture records one board: write a file of bays (--bays) with a capture for each"
        )
    return [
        BayWish(
            name=f"bay {place + 1}" if len(ports) > 1 else "",
            port=port,
            player=options.players[place] if options.players else None,
            set_name=options.sets[place] if options.sets else None,
            club=options.clubs[place] if options.clubs else None,
            stance_mm=options.stance,
            stance_u_mm=options.stance_u,
            sole_middle_mm=options.sole_middle,
            sole_middle_u_mm=options.sole_middle_u,
            ball=options.ball,
            surface=options.surface,
            left=options.left,
            baud=options.baud,
            trigger=options.trigger,
            capture=options.capture,
        )
        for place, port in enumerate(ports)
    ]


def log_bays(wishes: Sequence[BayWish], options: LogOptions, *, interactive: bool) -> None:
    """Log all bays until told to stop; sessions that were cut off are resumed."""
    several = len(wishes) > 1
    for wish in wishes:
        _check(wish, several=several)
    with open_store(options.db) as store:
        before = {row.id for row in store.sessions.all()}
        opened: list[Bay] = []
        pages: list[LivePage] = []
        try:
            ready = [_ready(store, wish, options, ask=interactive) for wish in wishes]
            pages += _pages(options, len(wishes))
            for one in ready:
                opened.append(_open(store, one, options))
            _log(store, opened, options, pages, interactive=interactive)
        except LieboardError:
            # What failed leaves no session behind that would pass for the latest.
            for bay in opened:
                if bay.session.row.id not in before:
                    store.sessions.remove_empty(bay.session.row.id)
            raise
        finally:
            for page in pages:
                page.end()
        _closing_words(opened)


def _check(wish: BayWish, *, several: bool) -> None:
    if several and not comes_back(wish.port):
        raise UsageError(f"{wish.name}: a recording is played back alone: lieboard log {wish.port}")
    check_lengths(
        stance=wish.stance_mm,
        stance_u=wish.stance_u_mm,
        sole_middle=wish.sole_middle_mm,
        sole_middle_u=wish.sole_middle_u_mm,
    )


@dataclass(frozen=True, slots=True)
class _Ready:
    """A bay of which all is known, and whose session is not begun yet."""

    wish: BayWish
    begin_ns: int
    begins_new: bool
    url: str
    board_id: str | None


def _ready(store: Store, wish: BayWish, options: LogOptions, *, ask: bool) -> _Ready:
    begin_ns = _begin_ns(wish.port)
    resumed = session_to_resume(
        store, player=wish.player, set_name=wish.set_name, now_utc_ns=begin_ns
    )
    resumes = resumed is not None and not options.new
    if resumed is not None and resumes:
        say(_resumed_words(store, resumed, wish.name))
        if ask and comes_back(wish.port):
            resumes = ask_resume()
    if resumed is not None and resumes:
        check_agreed(
            resumed, stance=wish.stance_mm, sole_middle=wish.sole_middle_mm, left=wish.left
        )
    elif wish.stance_mm is None and ask and comes_back(wish.port):
        wish = replace(wish, stance_mm=ask_stance(f"{wish.name}: " if wish.name else ""))
    url, board_id = wish.port, None
    if url.lower().startswith("ble:"):
        from logger.cli.board.air import agree_on_board

        url, board_id = agree_on_board(
            store, url, accept=options.accept, ask=ask, wait=options.wait
        )
    begins_new = options.new or (resumed is not None and not resumes)
    return _Ready(wish, begin_ns, begins_new, url, board_id)


def _open(store: Store, ready: _Ready, options: LogOptions) -> Bay:
    wish = ready.wish
    session = open_session(
        store,
        player=wish.player,
        set_name=wish.set_name,
        now_utc_ns=ready.begin_ns,
        circumstances=wish.circumstances,
        # Not by what there was to resume: two bays of one player end in one session, and are told.
        always_new=ready.begins_new,
        club=wish.club,
    )
    settings = RunSettings(
        ready.url,
        wish.baud,
        wish.trigger,
        wish.capture,
        # A board that is not there yet must not end other bays.
        patient=options.wait or bool(wish.name),
        pair=options.pair,
        expect_board=ready.board_id,
        accept=options.accept,
    )
    bay = Bay(wish.name, session, settings)
    if wish.club is not None:
        session.choose_club(wish.club, ready.begin_ns, cause="start")
    return bay


def _begin_ns(port: str) -> int:
    """Return when this session begins: now, or when the recording did."""
    if not port.startswith("capture:"):
        return utc_now_ns()
    from logger.links.replay import capture_begin_utc_ns

    return capture_begin_utc_ns(port)


def _pages(options: LogOptions, number: int) -> list[LivePage]:
    """Take a port for the page of each bay, one after the other."""
    return [
        LivePage.wanted(
            page=options.page,
            # 0 takes any.
            port=options.page_port and options.page_port + place,
            share=options.share,
            let_in=options.let_in,
        )
        for place in range(number)
    ]


def _log(
    store: Store,
    bays: Sequence[Bay],
    options: LogOptions,
    pages: list[LivePage],
    *,
    interactive: bool,
) -> None:
    if not interactive:
        from logger.cli.log.plain import log_plainly
        from logger.cli.terminal.output import steady_say

        with steady_say() as line:
            asyncio.run(log_plainly(bays, pages, line))
        return
    from logger.cli.board.first_use import until_agreed
    from logger.cli.log.terminal import log_at_terminal

    def run() -> None:
        try:
            asyncio.run(log_at_terminal(bays, pages))
        except StrangeBoardError:
            # These have closed; should the board be the fitter's, the next run needs its own.
            pages[:] = _pages(options, len(bays))
            raise

    until_agreed(store, run)


def _resumed_words(store: Store, row: SessionRow, bay: str) -> str:
    """Say that a session is resumed, what it rests on, and how to begin another instead."""
    own = store.sets.get(row.set)
    count = len(store.strikes.contacts(row.id))
    whose = f"{bay}: {own.player.name}" if bay else own.player.name
    feet = (
        "feet level with the board"
        if row.stance_mm == 0
        else f"feet {abs(row.stance_mm):g} mm {'lower' if row.stance_mm > 0 else 'higher'} than "
        "the board"
    )
    return (
        f"Resumed: session {row.id}, {whose}, {own.name}, {row.hand}-handed, {feet} "
        f"± {row.stance_u_mm:g} mm, {count} {'strike' if count == 1 else 'strikes'}. "
        f"Another one begins with --new; 'lieboard session change {row.id}' "
        "changes player, set or stance."
    )


def _closing_words(bays: Sequence[Bay]) -> None:
    console = output()
    for bay in bays:
        if bay.session.before_start:
            console.print(
                f"{bay.before}{bay.session.before_start} records were struck before this session "
                "began: stored, filed under no club."
            )
    several = len(bays) > 1
    following = "sessions, then lieboard clubs --session N" if several else "clubs, lieboard sheet"
    console.print(f"Next: lieboard {following}")
