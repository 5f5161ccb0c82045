"""Serial ports on real pseudo terminals and sockets: what goes wrong, and what a person reads."""

from __future__ import annotations

import asyncio
import errno
import gc
import grp
import os
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from logger.errors import LinkClosedError, LinkOpenError, LinkTimeoutError, UsageError
from logger.links import serial_port
from logger.links.open import link_from_url
from logger.links.ports import candidate_ports, explain_open_failure
from logger.links.pyserial_port import SerialSettings
from logger.links.serial_port import SerialLink

pytestmark = pytest.mark.filterwarnings(
    r"ignore:set(Daemon|Name)\(\) is deprecated:DeprecationWarning"
)


async def _why_not(url, **settings):
    link = SerialLink(SerialSettings(str(url), **settings))
    with pytest.raises(LinkOpenError) as caught:
        await link.open()
    await link.close()
    text = str(caught.value)
    assert "\n" not in text
    assert caught.value.__cause__ is not None
    return text


class TestPortsThatDoNotOpen:
    async def test_missing(self, tmp_path):
        text = await _why_not(tmp_path / "ttyACM7")
        assert f"no port {tmp_path / 'ttyACM7'}" in text
        there = [port.device for port in candidate_ports()]
        assert all(device in text for device in there[:8])
        if not there:
            assert "plug the board in" in text

    async def test_busy_with_another_of_us(self, pty_end):
        first = pty_end.make_link()
        await first.open()
        try:
            text = await _why_not(pty_end.name)
            assert "in use" in text
            if sys.platform.startswith("linux"):
                assert f"(pid {os.getpid()})" in text
            # The first one must not notice.
            await pty_end.send(b"still here")
            assert (await first.read()).data.startswith(b"still"[:1])
        finally:
            await first.close()

    async def test_busy_with_a_program_that_locks(self, pty_end):
        holder = subprocess.Popen(  # noqa: ASYNC220 - starting it takes no time
            [
                sys.executable,
                "-c",
                "import serial, sys; p = serial.Serial(sys.argv[1], exclusive=True);"
                "print('have it', flush=True); sys.stdin.read(); p.close()",
                pty_end.name,
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        with holder:
            await asyncio.to_thread(holder.stdout.readline)
            text = await _why_not(pty_end.name)
            assert "close that one" in text
            holder.stdin.close()
            await asyncio.to_thread(holder.wait)
        link = pty_end.make_link()
        await link.open()
        await link.close()

    def test_no_permission_names_the_group_that_has_it(self, pty_end):
        # Its group may and its owner and others may not; as root, become somebody else first.
        if os.geteuid() == 0:
            os.chown(pty_end.name, -1, grp.getgrnam("dialout").gr_gid)
        Path(pty_end.name).chmod(0o060)
        text = _open_as_nobody(pty_end.name)
        assert f"no permission to open {pty_end.name}" in text
        group = grp.getgrgid(Path(pty_end.name).stat().st_gid).gr_name
        assert f"sudo usermod -aG {group} $USER" in text
        assert "log out and in again" in text

    def test_no_permission_for_anybody(self, pty_end):
        Path(pty_end.name).chmod(0)
        text = _open_as_nobody(pty_end.name)
        assert "no permission" in text
        assert "usermod" not in text
        assert "ask whoever runs this machine" in text

    async def test_not_a_serial_port(self, tmp_path):
        plain = tmp_path / "notes.txt"
        plain.write_text("not a board")
        for path in (plain, tmp_path, "/dev/null"):
            assert "not a serial port" in await _why_not(path)
        assert plain.read_text() == "not a board"

    async def test_unknown_scheme(self):
        assert "socket://HOST:PORT" in await _why_not("carrier-pigeon://coop:1")

    async def test_refused(self, free_tcp_port):
        for scheme in ("socket", "rfc2217"):
            text = await _why_not(f"{scheme}://127.0.0.1:{free_tcp_port}")
            assert f"nothing listens at 127.0.0.1:{free_tcp_port}" in text

    async def test_host_not_found(self):
        # RFC 6761, section 6.4: names under .invalid do not exist.
        assert "no host is called board.invalid" in await _why_not("socket://board.invalid:4000")

    async def test_url_without_a_port_number(self):
        assert "socket://HOST:PORT" in await _why_not("socket://127.0.0.1:none")
        assert "rfc2217://HOST:PORT" in await _why_not("rfc2217://127.0.0.1:99999")

    async def test_no_rfc_2217_there(self, tcp_end):
        url = tcp_end.url.replace("socket:", "rfc2217:") + "?timeout=0.2"
        assert f"use {tcp_end.url}" in await _why_not(url)

    async def test_server_without_control_lines(self, ser2net_end):
        bare = ser2net_end.url.partition("?")[0]
        assert f"{bare}?ign_set_control" in await _why_not(bare + "?timeout=0.5")

    async def test_no_match_by_name(self):
        assert "no port matches 'nobody built this'" in await _why_not("hwgrep://nobody built this")

    @pytest.mark.parametrize("baud", [0, -9600, 49, 10**9])
    def test_baud_that_cannot_be(self, baud):
        with pytest.raises(UsageError, match=r"baud rate .* 115200"):
            link_from_url("/dev/ttyACM0", baud=baud)

    async def test_odd_baud_that_can_be(self, pty_end):
        link = pty_end.make_link(baud=74_880)
        await link.open()
        await link.close()

    # Texts as pyserial 3.5 makes them in serialwin32.py (`"could not open port {!r}: {!r}"` with
    # ctypes.WinError()) and serialposix.py; Windows keeps no error number.
    @pytest.mark.parametrize(
        ("text", "says"),
        [
            (
                "could not open port 'COM9': FileNotFoundError(2, 'The system cannot find the "
                "file specified.', None, 2)",
                "there is no port COM9",
            ),
            (
                "could not open port 'COM9': PermissionError(13, 'Access is denied.', None, 5)",
                "COM9 is in use",
            ),
            ("Failed to set custom baud rate (7): [Errno 22]", "COM9 cannot do 115200 baud"),
            ("something\nnew", "COM9 did not open: something new"),
        ],
    )
    def test_what_only_has_words(self, text, says):
        assert says in explain_open_failure("COM9", 115_200, OSError(text))

    def test_errors_with_a_number(self):
        busy = OSError(errno.EBUSY, "Device or resource busy")
        assert "in use" in explain_open_failure("/dev/ttyX", 9600, busy)
        no_network = OSError("could not open")
        no_network.__context__ = OSError(errno.ENETUNREACH, "Network is unreachable")
        assert "no way to 10.0.0.9:1" in explain_open_failure(
            "socket://10.0.0.9:1", 9600, no_network
        )
        silent = OSError("could not open")
        silent.__context__ = TimeoutError("timed out")
        assert "does not answer" in explain_open_failure("socket://10.0.0.9:1", 9600, silent)


def _open_as_nobody(port):
    program = textwrap.dedent(
        """
        import asyncio, os, sys
        from logger.errors import LinkOpenError
        from logger.links.pyserial_port import SerialSettings
        from logger.links.serial_port import SerialLink
        import logger.links.ports, encodings.idna
        if os.geteuid() == 0:
            os.setgroups([])
            os.setgid(65534)
            os.setuid(65534)
        async def main():
            link = SerialLink(SerialSettings(sys.argv[1]))
            try:
                await link.open()
            except LinkOpenError as error:
                print(error)
            await link.close()
        asyncio.run(main())
        """
    )
    return subprocess.run(
        [sys.executable, "-c", program, port], capture_output=True, text=True, check=True
    ).stdout


class TestWhileOpen:
    async def test_unplugged_says_so(self, pty_end):
        link = pty_end.make_link()
        await link.open()
        reading = asyncio.create_task(link.read())
        await asyncio.sleep(0.05)
        await pty_end.hang_up()
        with pytest.raises(LinkClosedError, match="unplugged or lost power"):
            await reading
        await link.close()

    async def test_the_kernel_keeps_others_out_until_closed(self, pty_end, is_exclusive):
        held = os.open(pty_end.name, os.O_RDWR | os.O_NOCTTY)
        try:
            link = pty_end.make_link()
            await link.open()
            assert is_exclusive(held)
            await link.close()
            assert not is_exclusive(held)
        finally:
            os.close(held)

    async def test_a_board_that_takes_nothing(self, pty_end):
        link = SerialLink(SerialSettings(pty_end.name, write_timeout_s=0.2))
        await link.open()
        try:
            with pytest.raises(LinkTimeoutError, match="reset button"):
                await link.write(bytes(1_000_000))
            # The way back is not harmed.
            await pty_end.send(b"!")
            assert (await link.read()).data == b"!"
        finally:
            await link.close()

    async def test_close_ends_a_write_that_is_stuck(self, pty_end):
        link = SerialLink(SerialSettings(pty_end.name, write_timeout_s=50))
        await link.open()
        writing = asyncio.create_task(link.write(bytes(1_000_000)))
        behind = asyncio.create_task(link.write(b"next"))
        await asyncio.sleep(0.1)
        assert not writing.done()
        await link.close()
        for task in (writing, behind):
            with pytest.raises(LinkClosedError):
                await task

    @pytest.mark.parametrize("limit", [-1.0, 0.0, 1e9, float("nan")])
    def test_time_limit_that_cannot_be(self, limit):
        with pytest.raises(UsageError):
            SerialSettings("COM3", write_timeout_s=limit)

    async def test_a_slow_reader_stops_the_other_end_and_loses_nothing(self, tcp_end, monkeypatch):
        monkeypatch.setattr(serial_port, "_MAX_WAITING_BYTES", 20_000)
        link = tcp_end.make_link()
        await link.open()
        try:
            sent = bytes(i * 7 % 251 for i in range(100_000))
            await tcp_end.send(sent)
            await asyncio.sleep(0.5)
            assert sum(len(chunk.data) for chunk in link._chunks) <= 20_000 + 16_384
            got = b""
            while len(got) < len(sent):
                got += (await link.read()).data
            assert got == sent
        finally:
            await link.close()

    async def test_close_while_nobody_reads_a_full_queue(self, tcp_end, monkeypatch):
        monkeypatch.setattr(serial_port, "_MAX_WAITING_BYTES", 1000)
        link = tcp_end.make_link()
        await link.open()
        await tcp_end.send(bytes(50_000))
        await asyncio.sleep(0.1)
        await link.close()

    async def test_one_read_at_a_time(self, pty_end):
        link = pty_end.make_link()
        await link.open()
        first = asyncio.create_task(link.read())
        await asyncio.sleep(0)
        with pytest.raises(RuntimeError, match="one read at a time"):
            await link.read()
        await link.close()
        with pytest.raises(LinkClosedError):
            await first

    async def test_loopback(self):
        link = link_from_url("loop://")
        await link.open()
        await link.write(b"to myself")
        got = b""
        while len(got) < 9:
            got += (await link.read()).data
        assert got == b"to myself"
        await link.close()


class TestEndsThatAreNotTidy:
    async def test_cancelled_while_opening(self, ser2net_end):
        # Opening takes pyserial half a second of talk here, so this meets it in the middle.
        link = ser2net_end.make_link()
        opening = asyncio.create_task(link.open())
        await asyncio.sleep(0.2)
        opening.cancel()
        with pytest.raises(asyncio.CancelledError):
            await opening
        await link.close()
        again = ser2net_end.make_link()
        await again.open()
        await again.close()

    async def test_closed_while_opening(self, ser2net_end):
        link = ser2net_end.make_link()
        opening = asyncio.create_task(link.open())
        await asyncio.sleep(0.2)
        await link.close()
        with pytest.raises(LinkOpenError, match="closed while it was opening"):
            await opening

    def test_a_loop_that_ended_without_closing(self, pty_end):
        async def forget():
            link = pty_end.make_link()
            await link.open()

        asyncio.run(forget())
        gc.collect()
        deadline = time.monotonic() + 5
        while time.monotonic() < deadline:
            # The port is free again once the reading thread noticed.
            try:
                asyncio.run(_open_and_close(pty_end))
            except LinkOpenError:
                time.sleep(0.02)
            else:
                return
        pytest.fail("the port was never given back")


async def _open_and_close(end):
    link = end.make_link()
    await link.open()
    await link.close()


class TestUrls:
    @pytest.mark.parametrize(
        "url", ["/dev/ttyACM0", "COM3", r"C:\dev\port", "socket://h:1", "RFC2217://h:1", "loop://"]
    )
    def test_serial(self, url):
        link = link_from_url(url)
        assert isinstance(link, SerialLink)
        assert link.url == url

    def test_unknown(self):
        with pytest.raises(UsageError, match=r"carrier-pigeon: is not a kind of link; .*rfc2217:"):
            link_from_url("carrier-pigeon://coop")
        with pytest.raises(UsageError, match="no port given"):
            link_from_url("  ")
