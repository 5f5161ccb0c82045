"""Rocking a head on the board: type an angle, set the head down, and again; keep its camber."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from starlette.responses import Response
from starlette.routing import Route

from analysis.answers import NoAnswerError
from analysis.board.camber import DEFAULT_RESOLUTION_DEG, MeasuredCamber, fit_camber
from analysis.conventions import Hand, toe_from_board
from logger.bench.connection import BoardBench
from logger.bench.rocking import Rested, Rocking
from logger.desk.boards.guided import address_in, asked, guided
from logger.desk.jobs import Job, Question
from logger.desk.sets.table import keep_of_club
from logger.desk.shell.desk import Ask, Desk, view
from logger.desk.shell.words import Units, plain
from logger.errors import LieboardError, UsageError
from logger.session.corrections.acts import Said
from logger.session.logging.cell_calibration import calibrations_of
from logger.setfiles.cells import CellError, angle_deg, length_mm
from logger.setfiles.clubs import ClubSpec
from logger.store.rows import ClubRow, SetRow
from logger.store.store import Store

# Somebody has to walk from the screen to the board, and hold a head still.
_WAIT_S = 300.0
_GREETED_WITHIN_S = 20.0
# As many as the build guide asks for; fewer do, wider.
STOPS = 8
_FEWEST = 4
_LEVEL_U_DEG = 0.1
_MIDDLE_U_MM = 1.0
_SET_DOWN = "Now set"
_LEAST_DEG, _MOST_DEG = -30.0, 90.0


@dataclass(frozen=True, slots=True)
class _Head:
    """The head that is rocked, and how."""

    own: SetRow
    club: ClubRow
    middle_mm: float
    step_deg: float
    units: Units

    def toe_mm(self, rested: Rested) -> float:
        """Place on its sole that touched."""
        return float(toe_from_board(rested.board_mm, Hand(self.own.player.hand), self.middle_mm))


def rocking_routes(desk: Desk) -> list[Route]:
    """Return the routes of the view."""
    house = desk.house

    async def page(ask: Ask, status: int = 200, trouble: str = "") -> Response:
        sets = await house.read(lambda store: [store.sets.get(one.id) for one in store.sets.all()])
        return ask.page(
            "boards/rock.html", status, sets=[own for own in sets if own.clubs], trouble=trouble,
            address=address_in(ask), form=ask.form, stops=STOPS,
            step=ask.form["step"] or plain(DEFAULT_RESOLUTION_DEG),
        )  # fmt: skip

    async def begin(ask: Ask) -> Response:
        url = address_in(ask)
        try:
            head = await house.read(lambda store: _head_in(store, ask))
        except (CellError, UsageError) as error:
            return await page(ask, 400, str(error))

        async def run(bench: BoardBench, job: Job, store: Store) -> str:
            rests = await _rests(bench, job, store, head)
            camber = _camber(rests, head)
            _tell(job, camber, head)
            kept = f"{camber.camber_mm:.1f} {camber.u_camber_mm:.1f}"
            job.answers.append(
                (f"Keep it as the {head.club.label}'s", "/boards/camber",
                 f"{head.own.id} {head.club.id} {kept}")
            )  # fmt: skip
            low, high = camber.interval_mm(0.90)
            length = head.units.length
            return f"camber {length(camber.camber_mm)}, 90 %: {length(low)} to {length(high)}"

        title = f"Camber of {head.own.player.name}'s {head.club.label}"
        return guided(desk, ask, title, url, run)

    async def keep(ask: Ask) -> Response:
        set_id, club_id, radius, u = _kept(ask.form["value"])

        def work(store: Store, said: Said) -> str:
            own = store.sets.get(set_id)
            club = next((one for one in own.clubs if one.id == club_id), None)
            if club is None:
                raise UsageError("that club is no longer in the set: look at the changes")
            return keep_of_club(
                store, own, club.label, ClubSpec(camber_mm=radius, camber_u_mm=u), said
            )

        await house.act(work)
        return ask.to(f"/sets/{set_id}?kept=1")

    return [
        *view(desk, "/boards/rock", page, begin),
        *view(desk, "/boards/camber", None, keep),
    ]


def _head_in(store: Store, ask: Ask) -> _Head:
    form = ask.form
    set_text, _, label = form["club"].partition(":")
    own = store.sets.get(int(set_text) if set_text.isdecimal() and len(set_text) < 15 else 0)
    club = next((one for one in own.clubs if one.label == label), None)
    if club is None:
        raise UsageError("which head is rocked? Choose its club")
    middle = length_mm(form["middle"] or "0", ask.units.name, -200, 200)
    step = angle_deg(form["step"] or plain(DEFAULT_RESOLUTION_DEG), None, 0.001, 2)
    return _Head(own, club, middle, step, ask.units)


async def _rests(bench: BoardBench, job: Job, store: Store, head: _Head) -> list[Rested]:
    await bench.require_greeting(_GREETED_WITHIN_S, job.say)
    assert bench.recorder.boot_row is not None
    count = 0

    async def next_angle() -> float | None:
        job.done, job.of = count, max(STOPS, count)
        enough = "Enough: work it out" if count >= _FEWEST else ""
        where = "" if not count else ", another stop" if count < STOPS else ", or it is enough"
        question = Question(f"Angle on the inclinometer, °{where}", enough)
        return await asked(job, question, lambda text: angle_deg(text, None, _LEAST_DEG, _MOST_DEG))

    def say(words: str) -> None:
        nonlocal count
        words = words.strip()
        if words[0].isdigit():
            rested = rocking.rests[-1]
            count = len(rocking.rests)
            place = head.units.place(head.toe_mm(rested))
            job.points.append((rested.angle_deg, head.toe_mm(rested)))
            words = f"{count}: {plain(rested.angle_deg)}° touches at {place}"
            if job.said and job.said[-1].startswith(_SET_DOWN):
                job.said.pop()
        job.say(words[0].upper() + words[1:])

    calibrations = calibrations_of(store, bench.recorder.boot_row)
    rocking = Rocking(bench, next_angle, _WAIT_S, say, calibrations)
    try:
        await rocking.run()
    except LieboardError as error:
        # A cable that was pulled costs what would have come, not what is there.
        if len(rocking.rests) < _FEWEST:
            raise
        job.findings.append(("look", str(error), "worked out from the stops before that"))
    return rocking.rests


def _camber(rests: list[Rested], head: _Head) -> MeasuredCamber:
    try:
        return fit_camber(
            [one.angle_deg for one in rests],
            [head.toe_mm(one) for one in rests],
            resolution_deg=head.step_deg,
            u_level_deg=_LEVEL_U_DEG,
            u_middle_mm=_MIDDLE_U_MM,
        )
    except NoAnswerError as reason:
        raise LieboardError(f"no camber could be found: {reason}") from None


def _tell(job: Job, camber: MeasuredCamber, head: _Head) -> None:
    per_degree = camber.camber_mm * 0.017453292519943295
    job.findings += [
        ("note", f"one degree of lie moves the mark by {head.units.length(per_degree)}", ""),
        ("note", f"the sole stands on its middle at {camber.zero_deg:.1f}° on this inclinometer",
         ""),
        ("look" if camber.shape.circular is False else "note", camber.shape.words, ""),
    ]  # fmt: skip
    job.findings += [("look", words, "") for words in camber.remarks]
    job.line = (camber.camber_mm, camber.zero_deg)


def _kept(text: str) -> tuple[int, int, float, float]:
    parts: list[Any] = text.split()
    try:
        set_id, club_id, radius, u = int(parts[0]), int(parts[1]), float(parts[2]), float(parts[3])
    except (ValueError, IndexError):
        radius = u = -1.0
        set_id = club_id = 0
    if not (0 < radius < 10_000 and 0 < u < 10_000):
        raise UsageError("that is no camber of ours: rock the head again")
    return set_id, club_id, radius, u
