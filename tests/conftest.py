"""Options of the whole test run."""

from __future__ import annotations

import pytest


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
