"""All views of the desk under one roof."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from logger.desk.bays import Bays
from logger.desk.bench.view import bench_routes
from logger.desk.fitting.view import fitting_routes
from logger.desk.house import House, name_of
from logger.desk.jobs import Jobs
from logger.desk.live import Live
from logger.desk.players.view import players_routes
from logger.desk.sets.view import sets_routes
from logger.desk.sheet.view import sheet_routes
from logger.desk.shell.desk import FOLDER, MOST_FORM_BYTES, Desk, shell_routes
from logger.desk.start.view import start_routes
from logger.desk.strikes.view import strikes_routes
from logger.desk.today.view import today_routes
from logger.page.app import ASSETS, MOST_BODY_BYTES, Assets, Doorkeeper, Site, WayIn

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.types import ASGIApp


def build_desk(
    site: Site,
    house: House,
    bays: Bays,
    jobs: Jobs,
    live: Live,
    lines: Callable[[], list[str]],
    demo: Callable[[Path], list[str]] | None,
) -> ASGIApp:
    """Put the application together."""
    way_in = WayIn(site)
    desk = Desk(house, bays, jobs, way_in, lines, demo)
    folders = [folder for folder in sorted(FOLDER.iterdir()) if folder.is_dir()]
    assets = Assets(ASSETS, *folders)

    async def alive(request: Request) -> Response:
        return JSONResponse({"lieboard": name_of(house.path)})

    app = Starlette(
        routes=[
            *today_routes(desk),
            *shell_routes(desk),
            *players_routes(desk),
            *sets_routes(desk),
            *start_routes(desk),
            *fitting_routes(desk, live),
            *strikes_routes(desk),
            *sheet_routes(desk),
            *bench_routes(desk),
            Route("/enter", way_in.enter, methods=["POST"]),
            Route("/alive", alive, methods=["GET"]),
            Route("/assets/{name}", assets.answer, methods=["GET"]),
        ]
    )
    return Doorkeeper(app, site.hosts, most_body)


def most_body(path: str) -> int:
    """How many bytes may be sent to a path."""
    if path.endswith("/act") or path == "/enter":
        return MOST_BODY_BYTES
    return MOST_FORM_BYTES
