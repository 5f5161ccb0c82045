"""From what a person types to a link."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from logger.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from logger.links.base import Link


def _serial(url: str, baud: int) -> Link:
    from logger.links.serial_port import SerialLink, SerialSettings

    return SerialLink(SerialSettings(url, baud=baud))


def _capture(url: str, baud: int) -> Link:
    from logger.links.replay import replay_from_url

    return replay_from_url(url)


# A new transport gets one line here. Each maker loads its own library, so that none costs
# start-up time to somebody who does not use it.
SCHEMES: dict[str, Callable[[str, int], Link]] = {
    "socket": _serial,
    "rfc2217": _serial,
    "loop": _serial,
    "hwgrep": _serial,
    "spy": _serial,
    "capture": _capture,
}

# Two letters at least, so that a Windows drive is a path and not a scheme.
_SCHEME = re.compile(r"([A-Za-z][A-Za-z0-9+.-]+):")


def link_from_url(url: str, baud: int = 115_200) -> Link:
    """Make the link that ``url`` names, not yet open.

    Parameters
    ----------
    url : str
        A serial port (``/dev/ttyACM0``, ``COM3``), ``socket://HOST:PORT``, ``rfc2217://HOST:PORT``,
        ``loop://``, ``hwgrep://WORDS`` or ``capture:PATH[?speed=1]``.
    baud : int
        Bits per second, where the transport has such a thing.

    Raises
    ------
    UsageError
        If there is no such kind of link, or the baud rate cannot be.
    """
    if not url.strip():
        raise UsageError("no port given; give one such as /dev/ttyACM0 or COM3")
    scheme = scheme_of(url)
    if scheme is None:
        return _serial(url, baud)
    if scheme not in SCHEMES:
        raise UsageError(
            f"{scheme}: is not a kind of link; give a serial port such as /dev/ttyACM0 or COM3, or "
            + ", ".join(f"{name}:" for name in sorted(SCHEMES))
        )
    return SCHEMES[scheme](url, baud)


def scheme_of(url: str) -> str | None:
    """Return the scheme of a link URL in lower case; None for a plain port name."""
    found = _SCHEME.match(url)
    return found.group(1).lower() if found else None


def comes_back(url: str) -> bool:
    """Tell whether it makes sense to open ``url`` again after it ended: a file ends for good."""
    return scheme_of(url) != "capture"
