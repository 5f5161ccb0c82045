"""``lieboard desk``: a whole week of fitting in the browser."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from logger.cli.common import DbOption, say
from logger.cli.page_options import USUAL_PORT, LetInOption, PortOption, ShareOption, page_settings

_ALIVE_WITHIN_S = 2.0


def desk(
    port: PortOption = USUAL_PORT,
    share: ShareOption = False,
    let_in: LetInOption = False,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open it in the browser?")
    ] = True,
    launcher: Annotated[
        bool,
        typer.Option(
            "--install-launcher",
            help="Put the desk among this computer's programs, and end. Untested on macOS and "
            "Windows.",
        ),
    ] = False,
    db: DbOption = None,
) -> None:
    """Do the whole week in the browser: players, sets, boards, fittings, sheet, bench, backup.

    If it runs already for this data file, that one is opened. Ends with Ctrl-C, or where the desk
    says so.

    Example: lieboard desk
    """
    from logger.cli.watch import stopped_by_signal
    from logger.config import default_db_path
    from logger.desk.server import DeskServer

    if launcher:
        from logger.desk.launcher import install_launcher

        for file in install_launcher(db):
            say(f"wrote {file}")
        return
    path = db or default_db_path(make_folder=True)
    running = _running(path)
    if running is not None:
        say(f"the desk runs already: {running}")
        if browser:
            _open(running)
        return
    settings = page_settings(port=port, share=share, let_in=let_in)
    with DeskServer(settings, path, demo=_demo_command) as server:
        stopped = stopped_by_signal()
        for line in server.lines:
            say(line.replace("page: ", "desk: ", 1))
        say("Ctrl-C ends it")
        server.start()
        server.wait_ready()
        if browser and server.failure is None:
            _open(server.address)
        while not stopped.wait(0.2):
            if server.wait(0):
                break
        server.stop()
        if server.failure is not None:
            raise server.failure


def _running(path: Path) -> str | None:
    """Return the address of a desk that runs for this data file on this computer; None if none."""
    import http.client
    import json

    from logger.desk.house import name_of, remembered_at

    port = remembered_at(path).get("port")
    if not isinstance(port, int) or not 0 < port < 65536:
        return None
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=_ALIVE_WITHIN_S)
    try:
        connection.request("GET", "/alive")
        answer = json.loads(connection.getresponse().read(1000))
    except (OSError, ValueError, http.client.HTTPException):
        return None
    finally:
        connection.close()
    ours = isinstance(answer, dict) and answer.get("lieboard") == name_of(path)
    return f"http://127.0.0.1:{port}/" if ours else None


def _open(address: str) -> None:
    import webbrowser

    if not webbrowser.open(address):
        say(f"no browser could be opened: go to {address}", err=True)


def _demo_command(path: Path) -> list[str]:
    return [sys.executable, "-m", "logger", "demo", "--db", str(path)]
