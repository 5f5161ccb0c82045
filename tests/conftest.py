"""Options of the whole test run."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, settings

# How long a case takes says nothing of whether it is right: machines are shared.
settings.register_profile(
    "lieboard", deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
settings.load_profile("lieboard")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--board-port",
        metavar="URL",
        default=None,
        help="run the link tests on a real board too: /dev/ttyACM0, COM3, socket://HOST:PORT, ...",
    )
    parser.addoption(
        "--board-ble",
        metavar="NAME",
        default=None,
        help="run the link tests on a real board over Bluetooth LE too: its name, address or id",
    )
