"""Start a fitting: player, set, board and club are guessed; how the feet stand is asked."""

from __future__ import annotations

import math
from dataclasses import dataclass

from starlette.responses import Response
from starlette.routing import Route

from analysis.conventions import (
    GRIP_MM,
    USUAL_LENGTH_MM,
    USUAL_LIE_DEG,
    stance_lie_error_deg,
)
from logger.desk.house import House
from logger.desk.shell.desk import Ask, Desk, view
from logger.desk.shell.words import Units
from logger.desk.today.view import players_of
from logger.errors import LieboardError, UsageError
from logger.links.ports import candidate_ports
from logger.session.corrections.acts import Said
from logger.session.logging.fitting import club_of
from logger.session.logging.opening import Circumstances, open_session
from logger.setfiles.cells import CellError, length_mm
from logger.setfiles.clubs import HandName
from logger.store.rows import SessionRow, SetRow
from logger.store.store import Store

NO_BOARD = "none"
_MOST_STANCE_MM = 200.0
_HANDS_MM = USUAL_LENGTH_MM - GRIP_MM


@dataclass(frozen=True, slots=True)
class BoardChoice:
    """One place where a board could be."""

    url: str
    name: str
    says: str = ""


def board_choices(store: Store, house: House) -> list[BoardChoice]:
    """Where a board could be, the one that was used last first, and none at the end."""
    agreed = store.agreed.all()
    at = house.boards_at()
    names = {at[one.key]: one.name for one in agreed if one.key in at}
    found: list[BoardChoice] = []
    last = house.remembered().get("board")
    if isinstance(last, str) and last and last != NO_BOARD:
        found.append(BoardChoice(last, names.get(last, last), "used last"))
    ports = candidate_ports()
    for port in ports:
        if port.is_usb:
            state = port.permission_hint or (f"in use by {port.used_by}" if port.used_by else "")
            what = port.description if port.description != port.device else ""
            name = names.get(port.device, port.device)
            found.append(BoardChoice(port.device, name, state or what))
    for board in agreed:
        if board.board_key is not None or ":" in board.key:
            found.append(BoardChoice(f"ble://{board.key}", board.name, "on the air"))
    # Twice the same place: the first says more.
    once = {choice.url: choice for choice in reversed(found)}
    ordered = [choice for choice in found if once[choice.url] is choice]
    none = BoardChoice(NO_BOARD, "no board", "marks are tapped on the drawn sole")
    # A port of the machine itself is seldom a board: it can be chosen, and is never guessed.
    built_in = [
        BoardChoice(port.device, port.device)
        for port in ports
        if not port.is_usb and port.device not in once and port.used_by is None
    ]
    chosen = [none, *ordered] if last == NO_BOARD else [*ordered, none]
    return chosen + built_in


def stance_words(row: SessionRow, units: Units) -> str:
    """Say how the feet stood."""
    if not row.stance_told:
        return "not measured"
    if abs(row.stance_mm) < 0.05:
        return "level with the board"
    way = "lower" if row.stance_mm > 0 else "higher"
    return f"{units.length(abs(row.stance_mm))} {way} than the board"


def start_routes(desk: Desk) -> list[Route]:
    """Return the routes of the view."""

    async def start(ask: Ask) -> Response:
        wanted = ask.query.get("set", "")
        players = await ask.house.read(players_of)
        if not wanted:
            with_sets = [one for one in players if one.sets]
            if len(with_sets) == 1 and len(with_sets[0].sets) == 1:
                wanted = str(with_sets[0].sets[0][0])
            else:
                return ask.page("start/who.html", players=with_sets)
        return await stance_page(ask, wanted)

    async def stance_page(ask: Ask, wanted: str, status: int = 200, trouble: str = "") -> Response:
        if not (wanted.isascii() and wanted.isdecimal() and len(wanted) < 15):
            raise UsageError("there is no such set: choose a player first")
        set_id = int(wanted)

        def look(store: Store) -> dict[str, object]:
            own = store.sets.get(set_id)
            if not own.clubs:
                raise UsageError(f"the set {own.name} has no clubs: type them into its table first")
            sessions = store.sessions.all(set_id)
            pivot = next((c.label for c in own.clubs if c.id == own.pivot_club), "")
            return {
                "own": own,
                "open": [row for row in sessions if row.ended_utc_ns is None],
                "before": sessions[-1] if sessions else None,
                "pivot": pivot,
                "boards": board_choices(store, ask.house),
            }

        found = await ask.house.read(look)
        before = found["before"]
        as_before = ""
        if isinstance(before, SessionRow) and before.stance_told and before.stance_mm:
            as_before = stance_words(before, ask.units)
        return ask.page(
            "start/stance.html", status, **found, as_before=as_before, trouble=trouble,
            form=ask.form, per_cm_deg=stance_lie_error_deg(10.0, _HANDS_MM, USUAL_LIE_DEG),
        )  # fmt: skip

    async def begin(ask: Ask) -> Response:
        form, wanted = ask.form, ask.form.get("set", "")
        try:
            own = await ask.house.read(lambda store: store.sets.get(int(wanted or "0")))
            sessions = await ask.house.read(lambda store: store.sessions.all(own.id))
            agreed = _circumstances(ask, own, sessions[-1] if sessions else None)
            club = club_of(own, form["club"]).label if form.get("club") else None
            board = form.get("board", NO_BOARD)
            if board == "other":
                board = form.get("address", "").strip()
            if not board or len(board) > 300:
                raise UsageError("where is the board? Choose it, or no board")
        except (UsageError, ValueError) as error:
            return await stance_page(ask, wanted, 400, str(error))

        def work(store: Store, said: Said) -> str:
            session = open_session(
                store, player=own.player.name, set_name=own.name, now_utc_ns=said.utc_ns,
                circumstances=agreed, always_new=True, club=club,
            )  # fmt: skip
            if club is not None:
                session.choose_club(club, said.utc_ns, cause="start")
            return str(session.row.id)

        number = int(await ask.house.act(work))
        ask.house.remember(board=board)
        if board != NO_BOARD:
            try:
                await desk.bays.begin(number, board)
            except LieboardError as error:
                # The session is there; what is wrong with the board is said where it is looked at.
                desk.bays.note_failure(number, board, str(error))
        return ask.to(f"/sessions/{number}")

    return view(desk, "/start", start, begin)


def _circumstances(ask: Ask, own: SetRow, before: SessionRow | None) -> Circumstances:
    form = ask.form
    answer = form.get("stance", "")
    if answer == "before" and before is not None and before.stance_told:
        stance_mm: float | None = before.stance_mm
    else:
        stance_mm = stance_from(answer, form.get(f"by-{answer}", ""), ask.units)
    hand: HandName | None = None
    if form.get("hand") in ("right", "left") and form["hand"] != own.player.hand:
        hand = "left" if form["hand"] == "left" else "right"
    return Circumstances(
        hand=hand,
        stance_mm=stance_mm,
        ball=form.get("ball", "yes") == "yes",
        surface=form.get("surface", "").strip()[:200] or None,
    )


def stance_from(answer: str, by: str, units: Units) -> float | None:
    """Return how much lower the feet stand, mm; None: not measured.

    Raises
    ------
    UsageError
        It was not answered, or by how much is no length.
    """
    if answer == "unknown":
        return None
    if answer == "level":
        return 0.0
    if answer not in ("lower", "higher"):
        raise UsageError("how do the feet stand? Choose an answer; not measured is one too")
    if not by.strip():
        raise UsageError(f"by how much {answer}? Type a length beside the button")
    try:
        mm = length_mm(by, units.name, 0, _MOST_STANCE_MM)
    except CellError as error:
        raise UsageError(f"how much {answer}: {error}") from None
    return math.copysign(mm, 1 if answer == "lower" else -1)
