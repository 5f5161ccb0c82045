"""All views of the desk under one roof."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from logger.desk.after.view import after_routes
from logger.desk.bench.view import bench_routes
from logger.desk.boards.view import boards_routes
from logger.desk.data.view import MOST_FILE_BYTES, data_routes
from logger.desk.fitting.view import fitting_routes
from logger.desk.house import name_of
from logger.desk.live import LiveFeeds
from logger.desk.misses.view import misses_routes
from logger.desk.players.view import players_routes
from logger.desk.sessions.view import sessions_routes
from logger.desk.sets.view import sets_routes
from logger.desk.sheet.view import sheet_routes
from logger.desk.shell.desk import FOLDER, MOST_FORM_BYTES, Desk, shell_routes
from logger.desk.start.view import start_routes
from logger.desk.strikes.view import strikes_routes
from logger.desk.today.view import today_routes
from logger.page.app import ASSETS, MOST_BODY_BYTES, Assets, Doorkeeper, Site

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.types import ASGIApp


def build_desk(desk: Desk, site: Site, live: LiveFeeds) -> ASGIApp:
    """Put the application together."""
    folders = [folder for folder in sorted(FOLDER.iterdir()) if folder.is_dir()]
    assets = Assets(ASSETS, *folders)

    async def alive(request: Request) -> Response:
        return JSONResponse({"lieboard": name_of(desk.house.path)})

    app = Starlette(
        routes=[
            *today_routes(desk),
            *shell_routes(desk),
            *players_routes(desk),
            *sets_routes(desk),
            *misses_routes(desk),
            *start_routes(desk),
            *fitting_routes(desk, live),
            *sessions_routes(desk),
            *after_routes(desk),
            *boards_routes(desk),
            *data_routes(desk),
            *strikes_routes(desk),
            *sheet_routes(desk),
            *bench_routes(desk),
            Route("/enter", desk.way_in.enter, methods=["POST"]),
            Route("/alive", alive, methods=["GET"]),
            Route("/assets/{name}", assets.answer, methods=["GET"]),
        ]
    )
    return Doorkeeper(app, site.hosts, most_body)


def most_body(path: str) -> int:
    """How many bytes may be sent to a path."""
    if path.endswith("/act") or path == "/enter":
        return MOST_BODY_BYTES
    if path in ("/data/restore", "/data/merge"):
        return MOST_FILE_BYTES
    return MOST_FORM_BYTES
