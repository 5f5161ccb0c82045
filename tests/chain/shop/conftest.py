"""A real broker set up by the example's own files, and bays and shops as real processes."""

import contextlib
import os
import shutil
import socket
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from logger.cli import main
from logger.shop.bay import BayQueue
from logger.shop.gather import Gatherer
from logger.store.store import Store

EXAMPLE = Path(__file__).parents[3] / "examples" / "shop"
# Debian puts it where only root looks for programs.
SEARCH = os.environ["PATH"] + os.pathsep + "/usr/sbin"
PASSWORDS = {"shop": "oak", "bay-1": "ash", "bay-2": "elm"}


def run(*command):
    done = subprocess.run(
        list(map(str, command)), capture_output=True, text=True, check=False,
        env={**os.environ, "PATH": SEARCH},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


@pytest.fixture(scope="session")
def secrets_folder(tmp_path_factory):
    """Passwords, and certificates of an authority of our own."""
    folder = tmp_path_factory.mktemp("broker")
    (folder / "passwords").touch(mode=0o600)
    for user, password in PASSWORDS.items():
        run("mosquitto_passwd", "-b", folder / "passwords", user, password)
    key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]
    for name in ("ca", "stranger"):
        run("openssl", "req", "-x509", *key, "-subj", f"/CN={name}", "-keyout",
            folder / f"{name}.key", "-out", folder / f"{name}.crt",
            "-addext", "keyUsage=critical,keyCertSign,cRLSign")  # fmt: skip
    run("openssl", "req", *key[:-2], "-subj", "/CN=localhost", "-keyout", folder / "shop.key",
        "-out", folder / "shop.csr")  # fmt: skip
    (folder / "names").write_text("subjectAltName=DNS:localhost,IP:127.0.0.1\n")
    run("openssl", "x509", "-req", "-in", folder / "shop.csr", "-CA", folder / "ca.crt", "-CAkey",
        folder / "ca.key", "-CAcreateserial", "-days", "2", "-extfile", folder / "names", "-out",
        folder / "shop.crt")  # fmt: skip
    return folder


class Broker:
    """mosquitto on a free port, with the example's settings; may be stopped and started."""

    def __init__(self, folder, secrets, *, tls=False):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        lines = []
        for line in (EXAMPLE / "lieboard.conf").read_text().splitlines():
            if not tls and line.startswith(("cafile", "certfile", "keyfile", "tls_version")):
                continue
            line = line.replace("listener 8883", f"listener {self.port} 127.0.0.1")
            line = line.replace("/etc/mosquitto/lieboard.acl", str(EXAMPLE / "lieboard.acl"))
            lines.append(line.replace("/etc/mosquitto/", f"{secrets}/"))
        # The tests' folder belongs to whoever runs them, and so must the broker.
        lines.append(f"user {os.environ.get('USER') or 'root'}")
        self._settings = folder / "broker.conf"
        self._settings.write_text("\n".join(lines) + "\n")
        self._log = folder / "broker.log"
        self._process = None
        self.start()

    def start(self):
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                ["mosquitto", "-c", str(self._settings)],
                stdout=log, stderr=log, env={**os.environ, "PATH": SEARCH},
            )  # fmt: skip
        until = time.monotonic() + 20
        while time.monotonic() < until:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port)):
                return
            assert self._process.poll() is None, self._log.read_text()
            time.sleep(0.05)
        pytest.fail("the broker does not open its port")

    def stop(self):
        self._process.terminate()
        self._process.wait(20)


@pytest.fixture
def broker(tmp_path, secrets_folder):
    one = Broker(tmp_path, secrets_folder)
    yield one
    one.stop()


@pytest.fixture
def tls_broker(tmp_path, secrets_folder):
    one = Broker(tmp_path, secrets_folder, tls=True)
    yield one
    one.stop()


class Program:
    """``lieboard shop ...`` as a process of its own."""

    def __init__(self, folder, port, command, user, options):
        self._log = folder / f"{command}-{time.monotonic_ns()}.log"
        with self._log.open("wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "logger", "shop", command, "--shop", "north",
                 "--broker", f"localhost:{port}", "--user", user, *map(str, options)],
                env={**os.environ, "LIEBOARD_SHOP_PASSWORD": PASSWORDS.get(user, "none")},
                stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            )  # fmt: skip

    @property
    def said(self):
        return self._log.read_text()

    def wait_until_it_says(self, line, within_s=60):
        until = time.monotonic() + within_s
        # A whole line: the name of a folder of the test may have the word in it ("popen-gw0").
        while line not in self.said.splitlines():
            assert time.monotonic() < until, self.said
            time.sleep(0.1)

    def kill(self):
        """As ``kill -9`` does."""
        self.process.kill()
        self.process.wait()


@pytest.fixture
def start(tmp_path):
    """Start a bay's or the shop's program; killed at the end of the test."""
    running = []

    def begin(command, port, user, *options):
        running.append(Program(tmp_path, port, command, user, options))
        return running[-1]

    yield begin
    for program in running:
        program.kill()


@pytest.fixture
def here(monkeypatch):
    """Run a bay's or the shop's program in this process; return its exit code."""

    def run(command, port, user, *options):
        monkeypatch.setenv("LIEBOARD_SHOP_PASSWORD", PASSWORDS.get(user, "none"))
        at = ["--shop", "north", "--broker", f"localhost:{port}", "--user", user]
        return main(["shop", command, *at, *map(str, options)])

    return run


@pytest.fixture
def wait_for():
    """Wait until a query of a data file gives what is wanted."""

    def wait(path, sql, wanted, within_s=60):
        until, found = time.monotonic() + within_s, None
        while time.monotonic() < until:
            with (
                contextlib.suppress(sqlite3.Error),
                contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as file,
            ):
                found = file.execute(sql).fetchone()[0]
            if found == wanted:
                return
            time.sleep(0.1)
        pytest.fail(f"{sql}: {found} instead of {wanted}")

    return wait


def facts(store):
    """All that a data file says, without row numbers; the queue's own tables left out."""
    said = {}
    for stamp in store.copies.stamps():
        copy, _ = store.copies.make(stamp.session)
        said[stamp.name] = {part: sorted(map(repr, rows)) for part, rows in copy.items()}
        said[stamp.name]["records"] = [
            (r.board, r.boot, r.sequence, r.kind, r.raw, r.flags, r.arrival_ns, r.struck_utc_ns,
             r.struck_u_ns)
            for r in store.copies.records_of(stamp.session)
        ]  # fmt: skip
    return said


@pytest.fixture
def facts_of():
    return facts


@pytest.fixture(scope="session")
def empty_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("empty") / "shop.db"
    Store.open(path).close()
    return path


@pytest.fixture
def shop_path(tmp_path, empty_file):
    """The shop's data file, made already: that takes longer than most tests."""
    shutil.copy(empty_file, tmp_path / "shop.db")
    return tmp_path / "shop.db"


@pytest.fixture
def shop_store(shop_path):
    with Store.open(shop_path) as store:
        yield store


@pytest.fixture
def gatherer(shop_store):
    return Gatherer(shop_store, "north", "file one")


@pytest.fixture
def queue(bay):
    own = BayQueue(bay.store, "north", 1_000)
    own.begin("file one")
    return own


@pytest.fixture
def everything(queue):
    """All parcels of the bay, none of them confirmed before the next is made."""
    parcels = []
    while (parcel := queue.next_parcel(utc_ms=1)) is not None:
        parcels.append(parcel)
        parcel.kept()
    queue.send_anew()
    return parcels
