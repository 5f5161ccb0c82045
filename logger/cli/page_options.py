"""Options of the live page, for the commands that show it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, TypeAlias

import typer

if TYPE_CHECKING:
    from logger.page.server import PageSettings

PortOption: TypeAlias = Annotated[
    int,
    typer.Option(
        "--port", min=0, max=65535, help="Port of the page; if it is taken, the next that is free."
    ),
]
PagePortOption: TypeAlias = Annotated[
    int,
    typer.Option(
        "--page-port",
        min=0,
        max=65535,
        help="Port of the page; if it is taken, the next that is free.",
    ),
]
ShareOption: TypeAlias = Annotated[
    bool,
    typer.Option(
        "--share", help="Also show it to others in this network, who enter a code to look on."
    ),
]
LetInOption: TypeAlias = Annotated[
    bool,
    typer.Option("--let-in", help="With --share: a second code, with which one other may act."),
]
USUAL_PORT = 8642


def page_settings(*, port: int, share: bool, let_in: bool) -> PageSettings:
    """Return the settings that were asked for.

    Raises
    ------
    UsageError
        To let somebody in without sharing, or to share without a network.
    """
    from logger.errors import UsageError
    from logger.page.server import PageSettings
    from logger.page.sockets import network_address

    if let_in and not share:
        raise UsageError("--let-in: nobody else sees the page; add --share")
    return PageSettings(port, network_address() if share else None, let_in)
