"""The desk that views are put on: what they may use, and how a request becomes an answer."""

from __future__ import annotations

import asyncio
import functools
import logging
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol, TypeAlias
from urllib.parse import parse_qsl

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape
from starlette.background import BackgroundTask
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from analysis.answers import NoAnswerError
from analysis.conventions import sure_words
from logger.desk.bays import Bays
from logger.desk.demo import Demo
from logger.desk.house import House, StillWorkingError
from logger.desk.jobs import Job, Jobs
from logger.desk.shell import words
from logger.desk.shell.words import Units
from logger.errors import LieboardError, StoreError, UsageError
from logger.page.app import WayIn, body_of
from logger.page.guard import Codes, Leave, spelled
from logger.session.results.clubs import SessionResults
from logger.store.rows import SessionRow

_log = logging.getLogger(__name__)
FOLDER = Path(__file__).parents[1]
# A form of ours is a few hundred bytes; a pasted set a few kilobytes.
MOST_FORM_BYTES = 300_000
_MOST_FIELDS = 2000
_UNITS_COOKIE = "lieboard_units"
_A_YEAR_S = 365 * 86_400
_CHANGES = 200
# Longer than that nobody should look at a view that does not come.
_PATIENCE_S = 0.3


@dataclass(frozen=True)
class Desk:
    """What views are made with."""

    house: House
    bays: Bays
    jobs: Jobs
    way_in: WayIn
    demo: Demo | None
    """None where there is none."""
    stop_looking: Callable[[], Awaitable[None]]
    """Ends what looks into the data file by itself."""
    screen: SecondScreen
    note: str = ""
    """Stands above every view, such as that this is the demo."""
    env: Environment = field(default_factory=lambda: _environment())


def _said_here(value: object) -> object:
    """Say what stands in a view in the desk's words."""
    if isinstance(value, str) and not isinstance(value, Markup) and "lieboard " in value:
        return words.at_the_desk(value)
    return value


def _environment() -> Environment:
    env = Environment(
        loader=FileSystemLoader(FOLDER), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True, finalize=_said_here,
    )  # fmt: skip
    env.filters |= {
        "signed": words.signed, "degrees": words.degrees, "interval": words.interval,
        "when": words.when, "day": words.day, "clock": words.clock, "plain": words.plain,
        "sure": sure_words,
    }  # fmt: skip
    return env


class SecondScreen(Protocol):
    """How others in the network see the desk."""

    @property
    def shared(self) -> str | None:
        """Address in the network; None: on this computer only."""
        ...

    @property
    def codes(self) -> Codes | None:
        """What lets others in."""
        ...

    async def share(self) -> None:
        """Show it in the network too."""
        ...

    def leave(self) -> None:
        """End the desk, as soon as what is being answered was answered."""
        ...


class Typed(dict[str, str]):
    """What was typed into a form; a field that is not there is empty."""

    def __missing__(self, name: str) -> str:
        return ""


class Ask:
    """One request, and the ways to answer it."""

    def __init__(self, desk: Desk, request: Request, leave: Leave) -> None:
        self.desk = desk
        self.house = desk.house
        self.request = request
        self.may_act = leave is Leave.ACT
        self.units = Units("in" if request.cookies.get(_UNITS_COOKIE) == "in" else "mm")
        self.form = Typed()
        self.lists: dict[str, list[str]] = {}

    @property
    def query(self) -> Mapping[str, str]:
        """What stands behind the address."""
        return self.request.query_params

    def number(self, name: str = "number") -> int:
        """Return a row number out of the address."""
        return int(self.request.path_params[name])

    async def results(self, session: SessionRow) -> SessionResults:
        """Work out what a session says; a view that takes long for it says so meanwhile."""
        looks = self.request.method == "GET"
        return await self.house.results(session, within_s=_PATIENCE_S if looks else None)

    def page(self, template: str, status: int = 200, **values: Any) -> HTMLResponse:  # noqa: ANN401
        """Answer with a view."""
        path = self.request.url.path
        query = self.request.url.query
        text = self.desk.env.get_template(template).render(
            units=self.units,
            may_act=self.may_act,
            here=f"{path}?{query}" if query else path,
            path=path,
            last_act=self.house.last if self.may_act else None,
            logging=self.desk.bays.logging,
            note=self.desk.note,
            attribute=_attribute,
            **values,
        )
        return HTMLResponse(text, status)

    def to(self, path: str) -> RedirectResponse:
        """Send the browser on, after something was done."""
        return RedirectResponse(path, status_code=303)

    def back(self, otherwise: str = "/") -> RedirectResponse:
        """Send the browser back to the view that the form stood in."""
        return self.to(local_path(self.form.get("back", ""), otherwise))


View: TypeAlias = Callable[[Ask], Awaitable[Response]]


def local_path(given: str, otherwise: str) -> str:
    """Return a path of ours; anything else, such as another site, becomes ``otherwise``."""
    plain = given.startswith("/") and not given.startswith(("//", "/\\")) and given.isprintable()
    return given if plain and len(given) < 2000 else otherwise


def view(desk: Desk, path: str, look: View | None = None, act: View | None = None) -> list[Route]:
    """Return the routes of a view: ``look`` answers GET, ``act`` a form that was sent.

    Whoever was let in may look; only who may act gets as far as ``act``.
    """
    routes = []
    if look is not None:
        routes.append(Route(path, functools.partial(_look, desk, look), methods=["GET"]))
    if act is not None:
        routes.append(Route(path, functools.partial(_act, desk, act), methods=["POST"]))
    return routes


async def _look(desk: Desk, look: View, request: Request) -> Response:
    stopped = await desk.way_in.stop(request)
    if stopped is not None:
        return stopped
    ask = Ask(desk, request, desk.way_in.leave(request))
    return await _answered(ask, look)


async def _act(desk: Desk, act: View, request: Request) -> Response:
    leave = desk.way_in.leave(request)
    if leave is Leave.NONE:
        return desk.way_in.ask(status=401)
    ask = Ask(desk, request, leave)
    if not ask.may_act:
        return _trouble(ask, "you may only look on here: ask for the code that lets one act", 403)
    kind = request.headers.get("content-type", "").partition(";")[0]
    if kind == "application/x-www-form-urlencoded":
        body = await body_of(request, MOST_FORM_BYTES)
        if body is None:
            words = "that is more than any set of clubs has: nothing was taken"
            return _trouble(ask, words, 413)
        try:
            pairs = parse_qsl(
                body.decode("utf-8"), keep_blank_values=True, max_num_fields=_MOST_FIELDS
            )
        except ValueError:
            return _trouble(ask, "that is no form of ours: nothing was taken", 400)
        for name, value in pairs:
            ask.lists.setdefault(name, []).append(value)
        ask.form = Typed({name: values[-1] for name, values in ask.lists.items()})
    elif kind != "multipart/form-data":
        return _trouble(ask, "that is no form of ours: nothing was taken", 415)
    return await _answered(ask, act)


async def _answered(ask: Ask, work: View) -> Response:
    try:
        return await work(ask)
    except asyncio.CancelledError:
        raise
    except StillWorkingError:
        return ask.page("shell/working.html")
    except StoreError as error:
        gone = "there is no" in str(error)
        return _trouble(ask, str(error), 404 if gone else 503)
    except (LieboardError, NoAnswerError) as error:
        return _trouble(ask, str(error), 400)
    except Exception as error:  # noqa: BLE001 - one view's fault is said there, the others go on
        _log.exception("%s", ask.request.url.path)
        words = f"a fault of this program ({type(error).__name__}: {error}): report it"
        return _trouble(ask, f"{words}. What was stored is safe.", 500)


def _trouble(ask: Ask, words: str, status: int) -> Response:
    back = local_path(ask.form.get("back", ""), "/")
    return ask.page("shell/trouble.html", status, words=words, back=back)


def _attribute(name: str, *, on: bool) -> Markup:
    """Return an attribute without a value, such as ``checked``, where it is wanted."""
    return Markup(f" {escape(name)}") if on else Markup("")


def shell_routes(desk: Desk) -> list[Route]:
    """Return what every view's frame needs: units, undo, the list of changes."""

    async def units(ask: Ask) -> Response:
        answer = ask.back()
        name = "in" if ask.form.get("units") == "in" else "mm"
        answer.set_cookie(
            _UNITS_COOKIE, name, max_age=_A_YEAR_S, samesite="strict", path="/", httponly=True
        )
        return answer

    async def undo(ask: Ask) -> Response:
        await ask.house.undo(ask.form.get("act", ""))
        return ask.back()

    async def hide(ask: Ask) -> Response:
        ask.house.forget_last()
        return ask.back()

    async def changes(ask: Ask) -> Response:
        acts = await ask.house.read(lambda store: store.acts.all())
        every = [act for act in reversed(acts) if not act.takes_back]
        shown = every if ask.query.get("all") == "1" else every[:_CHANGES]
        return ask.page("shell/changes.html", acts=shown, more=len(every) > len(shown))

    async def job(ask: Ask) -> Response:
        return ask.page("shell/job.html", job=_job(desk, ask))

    async def job_part(ask: Ask) -> Response:
        return ask.page("shell/job_part.html", job=_job(desk, ask))

    async def answer_job(ask: Ask) -> Response:
        _job(desk, ask).answer("" if ask.form["enough"] else ask.form["answer"].strip()[:40])
        # What it says next is a moment away; the view asks again by itself.
        return ask.to(f"/jobs/{ask.number()}")

    async def stop_job(ask: Ask) -> Response:
        _job(desk, ask).cancel()
        return ask.to(f"/jobs/{ask.number()}")

    async def screen(ask: Ask) -> Response:
        shared, codes, picture = desk.screen.shared, desk.screen.codes, ""
        if shared is not None and codes is not None and ask.may_act:
            import segno

            address = f"{shared}?code={codes.look}"
            picture = segno.make(address, error="m").svg_inline(
                scale=8, omitsize=True, svgclass="qr", lineclass=None, border=2
            )
        return ask.page(
            "shell/screen.html", shared=shared, codes=codes, picture=Markup(picture),
            spelled=spelled,
        )  # fmt: skip

    async def share(ask: Ask) -> Response:
        await desk.screen.share()
        return ask.to("/screen")

    async def leave(ask: Ask) -> Response:
        if desk.bays.logging:
            raise UsageError("a board is logging: end its session first, then close the desk")
        answer = ask.page("shell/closed.html")
        answer.background = BackgroundTask(desk.screen.leave)
        return answer

    return [
        Route("/units", functools.partial(_anybody, desk, units), methods=["POST"]),
        *view(desk, "/undo", act=undo),
        *view(desk, "/said", act=hide),
        *view(desk, "/changes", changes),
        *view(desk, "/jobs/{number:int}", job, stop_job),
        *view(desk, "/jobs/{number:int}/part", job_part),
        *view(desk, "/jobs/{number:int}/answer", None, answer_job),
        *view(desk, "/screen", screen, share),
        *view(desk, "/leave", None, leave),
    ]


def _job(desk: Desk, ask: Ask) -> Job:
    found = desk.jobs.get(ask.number())
    if found is None:
        raise UsageError("there is no such work any more: the desk was started again, or it is old")
    return found


async def _anybody(desk: Desk, work: View, request: Request) -> Response:
    """Answer a form that changes nothing but how things look."""
    leave = desk.way_in.leave(request)
    if leave is Leave.NONE:
        return desk.way_in.ask(status=401)
    ask = Ask(desk, request, leave)
    body = await body_of(request)
    ask.form = Typed(parse_qsl((body or b"").decode(errors="replace"), max_num_fields=20))
    return await _answered(ask, work)
