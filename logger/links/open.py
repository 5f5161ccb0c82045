"""From what a person types to a link."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import unquote

from logger.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from logger.links.base import Link


@dataclass(frozen=True, slots=True)
class LinkWish:
    """What was asked for."""

    url: str
    baud: int = 115_200
    """Bits per second, where the transport has such a thing."""
    pair: bool = False
    """Pair with the board first, where the transport has such a thing."""


def _serial(wish: LinkWish) -> Callable[[], Link]:
    from logger.links.pyserial_port import SerialSettings
    from logger.links.serial_port import SerialLink

    settings = SerialSettings(wish.url, baud=wish.baud)
    return lambda: SerialLink(settings)


def _ble(wish: LinkWish) -> Callable[[], Link]:
    from logger.links.ble import BleLink
    from logger.links.ble_find import BoardFinder
    from logger.links.ble_session import BleSettings

    # One for all links: once a name has led to a board, the same board is meant.
    finder = BoardFinder(ble_target(wish.url))
    settings = BleSettings(pair=wish.pair)
    return lambda: BleLink(finder, settings)


def _capture(wish: LinkWish) -> Callable[[], Link]:
    from logger.links.replay import replay_from_url

    return lambda: replay_from_url(wish.url)


# A new transport gets one line here. Each maker loads its own library, so that none costs
# start-up time to somebody who does not use it.
SCHEMES: dict[str, Callable[[LinkWish], Callable[[], Link]]] = {
    "ble": _ble,
    "socket": _serial,
    "rfc2217": _serial,
    "loop": _serial,
    "hwgrep": _serial,
    "spy": _serial,
    "capture": _capture,
}

# Two letters at least, so that a Windows drive is a path and not a scheme.
_SCHEME = re.compile(r"([A-Za-z][A-Za-z0-9+.-]+):")


def link_maker(wish: LinkWish) -> Callable[[], Link]:
    """Return what makes the links to one board, one after the other, none of them open yet.

    Parameters
    ----------
    wish
        Its URL: a serial port (``/dev/ttyACM0``, ``COM3``), ``ble://NAME``, ``ble://ADDRESS``,
        ``ble://BOARD-ID``, ``socket://HOST:PORT``, ``rfc2217://HOST:PORT``, ``loop://``,
        ``hwgrep://WORDS`` or ``capture:PATH[?speed=1]``.

    Raises
    ------
    UsageError
        If there is no such kind of link, or the baud rate cannot be.
    """
    url = wish.url
    if not url.strip():
        raise UsageError("no port given; give one such as /dev/ttyACM0 or COM3")
    scheme = scheme_of(url)
    if scheme is None:
        return _serial(wish)
    if scheme not in SCHEMES:
        raise UsageError(
            f"{scheme}: is not a kind of link; give a serial port such as /dev/ttyACM0 or COM3, or "
            + ", ".join(f"{name}:" for name in sorted(SCHEMES))
        )
    return SCHEMES[scheme](wish)


def link_from_url(url: str, baud: int = 115_200) -> Link:
    """Make one link; see `link_maker`."""
    return link_maker(LinkWish(url, baud))()


def ble_target(url: str) -> str:
    """Return the name, address or board id in a ``ble://`` URL."""
    return unquote(url.partition(":")[2].strip("/"))


def scheme_of(url: str) -> str | None:
    """Return the scheme of a link URL in lower case; None for a plain port name."""
    found = _SCHEME.match(url)
    return found.group(1).lower() if found else None


def same_port(one: str, other: str) -> bool:
    """Tell whether two URLs name one port: also a device by two of its names."""
    schemes = scheme_of(one), scheme_of(other)
    if schemes == (None, None):
        return os.path.realpath(one) == os.path.realpath(other)
    # A host or a board may be written either way; file names may not.
    if schemes[0] == "capture":
        return one == other
    return one.rstrip("/").casefold() == other.rstrip("/").casefold()


def comes_back(url: str) -> bool:
    """Tell whether it makes sense to open ``url`` again after it ended: a file ends for good."""
    return scheme_of(url) != "capture"
