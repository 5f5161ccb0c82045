"""``lieboard shop``: bays forward strikes to a shop, and the shop gathers them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeAlias

import typer

from logger.cli.common import DbOption, open_store, say

if TYPE_CHECKING:
    from logger.shop.broker import Broker

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Forward strikes of bays to a shop over MQTT, and gather them there "
    "(pip install 'lieboard[shop]').",
)

BrokerOption: TypeAlias = Annotated[str, typer.Option(help="MQTT broker, HOST or HOST:PORT.")]
ShopOption: TypeAlias = Annotated[str, typer.Option(help="Name of the shop.")]
PasswordOption: TypeAlias = Annotated[
    Path | None,
    typer.Option(help="File with the password. Left out: LIEBOARD_SHOP_PASSWORD says it."),
]
CaOption: TypeAlias = Annotated[
    Path | None, typer.Option(help="Certificate that the broker's is signed with; TLS then.")
]
TlsOption: TypeAlias = Annotated[
    bool, typer.Option("--tls", help="TLS, with certificates that this computer trusts.")
]
NoTlsOption: TypeAlias = Annotated[
    bool, typer.Option("--no-tls", help="In the clear to another computer, on a safe line.")
]


@app.command()
def forward(
    broker: BrokerOption,
    shop: ShopOption,
    bay: Annotated[str, typer.Option(help="Name of this bay.")],
    user: Annotated[
        str | None, typer.Option(help="User at the broker. Left out: the bay's name.")
    ] = None,
    password_file: PasswordOption = None,
    ca: CaOption = None,
    tls: TlsOption = False,
    no_tls: NoTlsOption = False,
    once: Annotated[
        bool, typer.Option("--once", help="End as soon as the shop has everything.")
    ] = False,
    again: Annotated[
        bool,
        typer.Option(
            "--again", help="Send everything again: the shop put a backup of its file back."
        ),
    ] = False,
    db: DbOption = None,
) -> None:
    """Send what is new in this bay's data file to the shop, beside 'lieboard log'.

    While broker or shop are away the data file keeps everything; nothing comes twice.

    Example: lieboard shop forward --broker shop.lan --ca ca.crt --shop north --bay bay-1
    """
    from logger.hostclock import HostClock
    from logger.shop.bay import BayQueue
    from logger.shop.broker import run
    from logger.shop.run import Forwarder

    at = _broker(broker, user or bay, password_file, ca=ca, tls=tls, no_tls=no_tls)
    clock = HostClock()
    with open_store(db) as store:
        # Microseconds: another start of this bay gives numbers of its own.
        queue = BayQueue(store, shop, clock.utc_ns() // 1000)
        forwarder = Forwarder(queue, at, shop, bay, _say, clock, once=once)
        if again:
            queue.send_anew()
        run(forwarder.run())


@app.command()
def gather(
    broker: BrokerOption,
    shop: ShopOption,
    user: Annotated[str, typer.Option(help="User at the broker.")] = "shop",
    password_file: PasswordOption = None,
    ca: CaOption = None,
    tls: TlsOption = False,
    no_tls: NoTlsOption = False,
    db: Annotated[
        Path | None,
        typer.Option(help="The shop's data file. Left out: shop-NAME.db in your data folder."),
    ] = None,
) -> None:
    """Gather what bays send in the shop's own data file; bays are told when it is on the disk.

    All commands that show sessions work on that file with --db.

    Example: lieboard shop gather --broker localhost --ca ca.crt --shop north
    """
    import secrets

    from logger.config import default_db_path
    from logger.shop.broker import run
    from logger.shop.gather import Gatherer
    from logger.shop.messages import topic
    from logger.shop.run import gather as gather_all

    at = _broker(broker, user, password_file, ca=ca, tls=tls, no_tls=no_tls)
    # Before a file is named after it.
    topic(shop, "+", "sent")
    path = db or default_db_path(make_folder=True).with_name(f"shop-{shop}.db")
    with open_store(path) as store:
        gatherer = Gatherer(store, shop, secrets.token_hex(16), _say)
        name = f"lieboard-{shop}-shop-{secrets.token_hex(4)}"
        _say(f"gathering in {path}")
        run(gather_all(gatherer, at, shop, _say, name))


def _broker(
    address: str,
    user: str,
    password_file: Path | None,
    *,
    ca: Path | None,
    tls: bool,
    no_tls: bool,
) -> Broker:
    import os

    from logger.errors import UsageError
    from logger.shop.broker import broker_at

    password = os.environ.get("LIEBOARD_SHOP_PASSWORD")
    if password_file is not None:
        try:
            password = password_file.read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise UsageError(
                f"--password-file {password_file}: it cannot be read ({error})"
            ) from error
    return broker_at(address, user=user, password=password, ca=ca, tls=tls, no_tls=no_tls)


def _say(line: str) -> None:
    say(line, err=True)
