"""``lieboard boards``: where a board could be plugged in, and which are on the air."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.common import DbOption, open_store, output

if TYPE_CHECKING:
    from rich.console import Console

    from logger.links.ble_find import SeenBoard
    from logger.links.ports import PortInfo

# An adapter that hears this much is in the same room; at -90 dBm most lose the connection.
# Common practice, no source.
_NEAR_DBM, _FAR_DBM = -70, -85


def boards(
    ble: Annotated[bool, typer.Option("--ble/--no-ble", help="Listen for Bluetooth LE?")] = True,
    seconds: Annotated[float, typer.Option(help="How long to listen, seconds.")] = 4.0,
    accept: Annotated[
        str | None,
        typer.Option(metavar="BOARD", help="Agree to use this board on the air: its name or id."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
    db: DbOption = None,
) -> None:
    """List the ports that a board could be on, and the boards on the air.

    Examples: lieboard boards --no-ble; lieboard boards --accept 4c4200005a110001
    """
    import sys
    from dataclasses import asdict

    from logger.errors import LinkOpenError, UsageError
    from logger.links.ports import candidate_ports

    if not 0.5 <= seconds <= 120:
        raise UsageError(f"--seconds {seconds:g}: give 0.5 to 120")
    if accept is not None:
        from logger.cli.air import agree_on_board

        with open_store(db) as store:
            url, _ = agree_on_board(store, f"ble://{accept}", accept=True)
        output().print(f"{url} may be used from now on. Log with: lieboard log {url}")
        return
    ports = candidate_ports()
    heard: list[SeenBoard] = []
    trouble = ""
    if ble:
        from logger.cli.air import boards_on_the_air

        try:
            heard = boards_on_the_air(seconds, show=not as_json and sys.stdout.isatty())
        except LinkOpenError as error:
            trouble = str(error)
    if as_json:
        air = [
            {"name": one.name, "url": one.url, "board_id": one.board_id, "address": one.address,
             "rssi_dbm": one.rssi_dbm}
            for one in heard
        ]  # fmt: skip
        found = {"ports": [asdict(port) for port in ports], "on_the_air": air}
        print(json.dumps(found | ({"bluetooth": trouble} if trouble else {}), indent=1))
        return
    console = output()
    _show_ports(console, ports)
    if ble:
        _show_air(console, heard, trouble)
    if ports or heard:
        console.print("Log with: lieboard log PORT")


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


def _show_air(console: Console, heard: list[SeenBoard], trouble: str) -> None:
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
    table = Table("port", "name", "board id", "address", "signal", box=None)
    for one in heard:
        table.add_row(one.url, one.name, one.board_id or "not said", one.address, _signal(one))
    console.print(table)


def _signal(one: SeenBoard) -> str:
    if one.rssi_dbm is None:
        return "-"
    words = "near" if one.rssi_dbm >= _NEAR_DBM else "weak" if one.rssi_dbm >= _FAR_DBM else "far"
    return f"{one.rssi_dbm} dBm, {words}"
