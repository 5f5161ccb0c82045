"""Several boards, each a process of its own, and the logger as a shop runs it."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
import tty

import pytest
from fault_bench import Board, Shop

# The Bluetooth daemon whose interface the simulated one speaks is Linux's.
collect_ignore = [] if sys.platform.startswith("linux") else ["test_air.py"]


@pytest.fixture
def shop(tmp_path):
    """A data file with two players."""
    made = Shop(tmp_path)
    yield made
    made.close()


@pytest.fixture
def board(shop, tmp_path):
    """Start busy boards by number; what they need is put into the loggers' environment."""
    started = []

    def start(number, *arguments, **options):
        started.append(Board(tmp_path, number, *arguments, **options))
        shop.env.update(started[-1].env)
        return started[-1]

    yield start
    for one in started:
        one.close()


class Talker:
    """The far end of a terminal, by hand: what is no board."""

    def __init__(self, data, pause_s):
        self._end, other = os.openpty()
        tty.setraw(other)
        self.url = os.ttyname(other)
        self._other = other
        os.set_blocking(self._end, False)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._talk, args=(data, pause_s))
        self._thread.start()

    def _talk(self, data, pause_s):
        while not self._stop.is_set():
            with contextlib.suppress(BlockingIOError):
                if data:
                    os.write(self._end, data)
            time.sleep(pause_s)

    def close(self):
        self._stop.set()
        self._thread.join()
        os.close(self._end)
        os.close(self._other)


@pytest.fixture
def talker():
    started = []

    def start(data=b"", pause_s=0.001):
        started.append(Talker(data, pause_s))
        return started[-1]

    yield start
    for one in started:
        one.close()
