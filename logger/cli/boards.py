"""``lieboard boards``: where a board could be plugged in."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from logger.cli.common import output


def boards(
    as_json: Annotated[bool, typer.Option("--json", help="Machine-readable.")] = False,
) -> None:
    """List the ports that a board could be on, with what the operating system says of them.

    Example: lieboard boards
    """
    from dataclasses import asdict

    from rich.table import Table

    from logger.links.ports import candidate_ports

    ports = candidate_ports()
    if as_json:
        print(json.dumps([asdict(port) for port in ports], indent=1))
        return
    console = output()
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
    console.print("Log with: lieboard log PORT")
