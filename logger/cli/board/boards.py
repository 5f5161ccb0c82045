"""``lieboard boards``: where a board could be plugged in, and which are on the air."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.common import DbOption, open_store, output

if TYPE_CHECKING:
    from rich.console import Console

    from logger.links.ble_find import SeenBoard
    from logger.links.ports import PortInfo
    from logger.store.boards import AgreedBoard

# An adapter that hears this much is in the same room; at -90 dBm most lose the connection.
# Common practice, no source.
_NEAR_DBM, _FAR_DBM = -70, -85


def boards(
    ble: Annotated[bool, typer.Option("--ble/--no-ble", help="Listen for Bluetooth LE?")] = True,
    seconds: Annotated[float, typer.Option(help="How long to listen, seconds.")] = 4.0,
    accept: Annotated[
        str | None,
        typer.Option(
            metavar="BOARD",
            help="Agree to use a board: its port, or its name or id on the air.",
        ),
    ] = None,
    forget: Annotated[
        str | None,
        typer.Option(metavar="BOARD", help="Agree no longer to a board: its id or name."),
    ] = None,
    baud: Annotated[int, typer.Option(help="Baud rate of a serial port.")] = 115_200,
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
    db: DbOption = None,
) -> None:
    """List the ports that a board could be on, the boards on the air, and those agreed to.

    A board is used only after somebody agreed to it once, by its id; until then it keeps what it
    has. A board that speaks text is known by its name, or by its port if it says none.

    Examples: lieboard boards --no-ble; lieboard boards --accept /dev/ttyACM0; lieboard boards
    --accept 4c4200005a110001
    """
    import sys
    from dataclasses import asdict

    from logger.errors import LinkOpenError, UsageError
    from logger.links.ports import candidate_ports

    if not 0.5 <= seconds <= 120:
        raise UsageError(f"--seconds {seconds:g}: give 0.5 to 120")
    if accept is not None:
        _accept(db, accept, baud)
        return
    if forget is not None:
        _forget(db, forget)
        return
    ports = candidate_ports()
    heard: list[SeenBoard] = []
    trouble = ""
    if ble:
        from logger.cli.board.air import boards_on_the_air

        try:
            heard = boards_on_the_air(seconds, show=not as_json and sys.stdout.isatty())
        except LinkOpenError as error:
            trouble = str(error)
    agreed = _agreed(db)
    if as_json:
        air = [
            {"name": one.name, "url": one.url, "board_id": one.board_id, "address": one.address,
             "rssi_dbm": one.rssi_dbm, "agreed": any(one.key == known.key for known in agreed)}
            for one in heard
        ]  # fmt: skip
        found = {
            "ports": [asdict(port) for port in ports],
            "on_the_air": air,
            "agreed": [asdict(known) for known in agreed],
        }
        print(json.dumps(found | ({"bluetooth": trouble} if trouble else {}), indent=1))
        return
    console = output()
    _show_ports(console, ports)
    if ble:
        _show_air(console, heard, trouble, {known.key for known in agreed})
    if agreed:
        names = ", ".join(f"{known.name} ({known.key})" for known in agreed)
        console.print(f"Agreed to: {names}")
    if ports or heard:
        console.print("Log with: lieboard log PORT")


def _accept(db: Path | None, board: str, baud: int) -> None:
    from logger.links.open import scheme_of

    with open_store(db) as store:
        # A port has a slash or a scheme, but for Windows' COM3; anything else is on the air.
        named = scheme_of(board)
        if named not in (None, "ble") or (
            named is None and ("/" in board or "\\" in board or re.fullmatch(r"(?i)com\d+", board))
        ):
            from logger.cli.board.first_use import agree_at_port

            identity = agree_at_port(store, board, baud, typer.echo)
            url = board
            who = f"{identity.name} ({identity.board_key}) at {url}"
        else:
            from logger.cli.board.air import agree_on_board

            url, _ = agree_on_board(
                store, board if named == "ble" else f"ble://{board}", accept=True
            )
            who = url
    output().print(f"{who} may be used from now on. Log with: lieboard log {url}")


def _forget(db: Path | None, board: str) -> None:
    from logger.errors import UsageError

    with open_store(db) as store:
        wanted = board.casefold()
        found = [
            one for one in store.agreed.all() if wanted in (one.key.casefold(), one.name.casefold())
        ]
        if len(found) != 1:
            known = ", ".join(f"{one.name} ({one.key})" for one in store.agreed.all())
            raise UsageError(
                f"--forget {board}: name one of the boards agreed to: {known or 'there are none'}"
            )
        store.agreed.forget(found[0].key)
    output().print(
        f"{found[0].name} ({found[0].key}) is asked about again before it is used; what it sent "
        "stays"
    )


def _agreed(db: Path | None) -> list[AgreedBoard]:
    """Boards agreed to; none if there is no data file yet."""
    from logger.config import default_db_path

    if not (db or default_db_path()).exists():
        return []
    with open_store(db, read_only=True) as store:
        return store.agreed.all()


def _show_ports(console: Console, ports: list[PortInfo]) -> None:
    from rich.table import Table

    if not ports:
        console.print(
            "No serial port found. Plug the board in (a charging cable without data wires shows "
            "nothing), or try 'lieboard sim'."
        )
        return
    table = Table("port", "what it says it is", "maker", "state", box=None)
    for port in ports:
        state = port.permission_hint or (f"in use by {port.used_by}" if port.used_by else "free")
        table.add_row(port.device, port.description, port.manufacturer or "-", state)
    console.print(table)


def _show_air(console: Console, heard: list[SeenBoard], trouble: str, agreed: set[str]) -> None:
    from rich.table import Table

    if trouble:
        console.print(f"Bluetooth: {trouble}")
        return
    if not heard:
        console.print(
            "No board on the air. Switch it on and bring it closer; one that another computer or "
            "a phone holds does not show."
        )
        return
    table = Table("port", "name", "board id", "address", "signal", "agreed to", box=None)
    for one in heard:
        table.add_row(
            one.url, one.name, one.board_id or "not said", one.address, _signal(one),
            "yes" if one.key in agreed else "no",
        )  # fmt: skip
    console.print(table)


def _signal(one: SeenBoard) -> str:
    if one.rssi_dbm is None:
        return "-"
    words = "near" if one.rssi_dbm >= _NEAR_DBM else "weak" if one.rssi_dbm >= _FAR_DBM else "far"
    return f"{one.rssi_dbm} dBm, {words}"
