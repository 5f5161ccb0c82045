"""A radio bridge for a lie board: its serial line in, our Bluetooth LE service out. MicroPython.

For an ESP32 or a Pico W (any board whose MicroPython has ``machine`` and ``bluetooth``). Bytes pass
unchanged, text or binary; what they mean is wire.md's business, but for two things: the board's id,
which goes into the advertisement, and where frames end, so that a host never gets half of one.
How to wire and install it, and what it does when something goes wrong: README.md in this folder.
"""

import struct
import sys
import time
from binascii import crc32, hexlify

import bluetooth
import machine
from micropython import const

# ---- settings: change what your wiring differs in -----------------------------------------------

NAME = "lie board"
BAUD = const(115200)
if sys.platform == "rp2":
    UART, TX, RX = 1, 4, 5
else:
    UART, TX, RX = 2, 17, 16
# Input that measures the battery through two equal resistors, such as 34; None if it has none.
BATTERY_PIN = None

# ---- what stays as it is ------------------------------------------------------------------------

_SERVICE = bluetooth.UUID("720a8aa6-4ceb-490e-b463-69638404525d")
_BOARD_TO_HOST = (
    bluetooth.UUID("720a8aa7-4ceb-490e-b463-69638404525d"),
    bluetooth.FLAG_NOTIFY,
)
_HOST_TO_BOARD = (
    bluetooth.UUID("720a8aa8-4ceb-490e-b463-69638404525d"),
    bluetooth.FLAG_WRITE | bluetooth.FLAG_WRITE_NO_RESPONSE,
)
_INFORMATION = (
    bluetooth.UUID(0x180A),
    tuple((bluetooth.UUID(which), bluetooth.FLAG_READ) for which in (0x2A24, 0x2A25, 0x2A26)),
)
_BATTERY = (
    bluetooth.UUID(0x180F),
    ((bluetooth.UUID(0x2A19), bluetooth.FLAG_READ | bluetooth.FLAG_NOTIFY),),
)

_IRQ_CENTRAL_CONNECT = const(1)
_IRQ_CENTRAL_DISCONNECT = const(2)
_IRQ_GATTS_WRITE = const(3)
_IRQ_MTU_EXCHANGED = const(21)

_MTU = const(247)
_LEAST_MTU = const(23)
# From the board: as much as it sends in 0.7 s, while the radio stands still.
_RING_BYTES = const(8192)
_UART_BYTES = const(2048)
_CHUNK_BYTES = const(256)
# Room for what a host writes between two looks: its frames have 20 bytes at most.
_HOST_BYTES = const(512)
# A piece that holds no end of a frame waits this long for more, and goes then.
_LINGER_MS = const(10)
# Every 100 ms for half a minute after each end of a connection, once a second after that.
_QUICK_US = const(100_000)
_SLOW_US = const(1_000_000)
_QUICK_MS = const(30_000)
_BATTERY_MS = const(30_000)
# ask hello, protocol 1.0, as a frame (wire.md, 2.1 and 2.5).
_ASK_HELLO = b"\x00\x03\x21\x01\x05\x84\xc4\xd5\xdf\x00"
_ASK_AGAIN_MS = const(2000)
_HELLO_BYTES = const(46)
_FRAME_BYTES = const(516)


def _unstuffed(encoded):
    """Take COBS off a frame (without its 0x00); None if it cannot be one."""
    out = bytearray()
    at = 0
    while at < len(encoded):
        code = encoded[at]
        if code == 0 or at + code > len(encoded):
            return None
        out += encoded[at + 1 : at + code]
        at += code
        if code < 255 and at < len(encoded):
            out.append(0)
    return out


def _hello_in(encoded):
    """Board id, firmware and name, if this frame is a good *hello*; else None."""
    frame = _unstuffed(encoded)
    if frame is None or len(frame) < 1 + _HELLO_BYTES + 4 or frame[0] != 1:
        return None
    if crc32(frame[:-4]) & 0xFFFFFFFF != struct.unpack("<I", frame[-4:])[0]:
        return None
    payload = frame[1:-4]
    name = bytes(payload[46 : 46 + payload[45]])
    return bytes(payload[2:10]), "%d.%d.%d" % tuple(payload[14:17]), name.decode()


def _borders(data):
    """How many frames or lines end in here; a byte of a frame may look like a line's end too."""
    return data.count(b"\x00") + data.count(b"\n")


def _after_border(data):
    """Where the first frame or line after an end begins; -1 if there is no end in here."""
    at = data.find(b"\x00")
    line = data.find(b"\n")
    if at < 0 or 0 <= line < at:
        at = line
    return at + 1 if at >= 0 else -1


def _field(kind, value):
    return bytes((len(value) + 1, kind)) + value


class Bridge:
    """One board on one serial line, one host at a time on the radio."""

    def __init__(self):
        self._uart = machine.UART(
            UART, baudrate=BAUD, tx=machine.Pin(TX), rx=machine.Pin(RX), rxbuf=_UART_BYTES
        )
        self._ring = bytearray(_RING_BYTES)
        self._first = 0
        self._held = 0
        self._to_board = b""
        # Whether the next byte of the board begins a frame or a line. Bytes are passed on from such
        # a place only, and after a loss (`cut`) from the next one.
        self._at_border = False
        self._passing = False
        self._cut = False
        self._ends = 0
        self._waiting_since = 0
        self._frame = bytearray()
        self._frame_too_long = False
        self._board_id = None
        self._asked_ms = None
        self._events = []
        # Of the connection.
        self._host = None
        self._greeted = False
        self._mtu = _LEAST_MTU
        self.lost_bytes = 0
        """Bytes of the board that found the ring full, since power came on."""
        self._told_lost = 0
        self._began_ms = time.ticks_ms()
        self._advertised = None
        self._battery = machine.ADC(machine.Pin(BATTERY_PIN)) if BATTERY_PIN is not None else None
        self._battery_ms = None
        self._ble = bluetooth.BLE()
        self._ble.active(True)
        self._ble.config(gap_name=NAME, mtu=_MTU)
        self._ble.irq(self._on_event)
        services = [(_SERVICE, (_BOARD_TO_HOST, _HOST_TO_BOARD)), _INFORMATION]
        if self._battery is not None:
            services.append(_BATTERY)
        handles = self._ble.gatts_register_services(tuple(services))
        (self._out, self._in), self._about = handles[0], handles[1]
        self._level = handles[2][0] if self._battery is not None else None
        # Writes add up until they are read: a host may write again before we look.
        self._ble.gatts_set_buffer(self._in, _HOST_BYTES, True)
        self._tell_who("", "0.0.0", NAME)

    # -- the radio's events may come between any two steps below, so they only queue up -----------

    def _on_event(self, event, data):
        if event == _IRQ_GATTS_WRITE:
            if data[1] == self._in:
                self._events.append((event, self._ble.gatts_read(self._in)))
        elif event == _IRQ_MTU_EXCHANGED:
            self._events.append((event, data[1]))
        elif event in (_IRQ_CENTRAL_CONNECT, _IRQ_CENTRAL_DISCONNECT):
            self._events.append((event, data[0]))

    def _heed(self, event, what):
        if event == _IRQ_GATTS_WRITE:
            # The host's first word says that it listens: no event tells of a subscription.
            self._to_board += what
            self._greeted = True
        elif event == _IRQ_MTU_EXCHANGED:
            self._mtu = min(what, _MTU)
        else:
            # What is half sent is dropped; the board keeps its records (wire.md, 2.7).
            self._host = what if event == _IRQ_CENTRAL_CONNECT else None
            self._greeted = False
            self._mtu = _LEAST_MTU
            self._to_board = b""
            self._held = 0
            self._ends = 0
            self._passing = False
            self._cut = False
            self._began_ms = time.ticks_ms()
            self._advertised = None

    # -- one look at everything -------------------------------------------------------------------

    def step(self):
        """Pass on what there is; never waits."""
        while self._events:
            self._heed(*self._events.pop(0))
        self._hear_board()
        self._ask_who()
        self._tell_board()
        self._send()
        self._advertise()
        self._look_at_battery()
        if self.lost_bytes != self._told_lost:
            self._told_lost = self.lost_bytes
            print("no room for", self.lost_bytes, "bytes of the board so far; the host asks again")

    def _hear_board(self):
        count = self._uart.any()
        while count > 0:
            data = self._uart.read(min(count, _CHUNK_BYTES))
            if not data:
                return
            count -= len(data)
            self._take(data)

    def _take(self, data):
        ends = data[-1] in (0, 10)
        if self._board_id is None:
            for byte in data:
                self._look_for_hello(byte)
        if self._greeted:
            if not self._passing:
                at = 0 if self._at_border else _after_border(data)
                if self._cut and len(data) - at >= _RING_BYTES - self._held:
                    # Still no room for what comes after the border.
                    at = -1
                if self._cut:
                    self.lost_bytes += len(data) if at < 0 else at
                if at >= 0:
                    self._passing = True
                    data = data[at:]
                    if self._cut:
                        # Cuts off the beginning of the frame that was lost.
                        self._cut = False
                        data = b"\x00" + data
            if self._passing:
                self._keep(data)
        self._at_border = ends

    def _keep(self, data):
        room = _RING_BYTES - self._held
        if len(data) > room:
            # The frame that does not fit is lost, up to the next border.
            self.lost_bytes += len(data) - room
            self._passing = False
            self._cut = True
            data = data[:room]
        if self._held == 0:
            self._waiting_since = time.ticks_ms()
        at = (self._first + self._held) % _RING_BYTES
        straight = min(len(data), _RING_BYTES - at)
        self._ring[at : at + straight] = data[:straight]
        self._ring[: len(data) - straight] = data[straight:]
        self._held += len(data)
        self._ends += _borders(data)

    def _look_for_hello(self, byte):
        if byte != 0:
            if len(self._frame) < _FRAME_BYTES:
                self._frame.append(byte)
            else:
                self._frame_too_long = True
            return
        hello = None if self._frame_too_long else _hello_in(self._frame)
        self._frame = bytearray()
        self._frame_too_long = False
        if hello is not None:
            self._board_id, firmware, name = hello
            self._tell_who(hexlify(self._board_id).decode(), firmware, name)
            self._advertised = None

    def _ask_who(self):
        now = time.ticks_ms()
        if self._board_id is not None or (
            self._asked_ms is not None and time.ticks_diff(now, self._asked_ms) < _ASK_AGAIN_MS
        ):
            return
        self._asked_ms = now
        self._to_board += _ASK_HELLO

    def _tell_board(self):
        while self._to_board:
            sent = self._uart.write(self._to_board)
            if not sent:
                return
            self._to_board = self._to_board[sent:]

    def _send(self):
        while self._greeted and self._held > 0:
            size = min(self._held, self._mtu - 3)
            full = size == self._mtu - 3
            aged = time.ticks_diff(time.ticks_ms(), self._waiting_since) >= _LINGER_MS
            if not (full or self._ends or aged):
                return
            end = self._first + size
            piece = bytes(self._ring[self._first : end])
            if end > _RING_BYTES:
                piece += self._ring[: end - _RING_BYTES]
            try:
                self._ble.gatts_notify(self._host, self._out, piece)
            except OSError:
                # The radio's queue is full, or the host has just gone: the same bytes next time.
                return
            self._ends -= _borders(piece)
            self._first = (self._first + size) % _RING_BYTES
            self._held -= size
            self._waiting_since = time.ticks_ms()

    # -- who we are -------------------------------------------------------------------------------

    def _tell_who(self, board_id, firmware, name):
        for handle, text in zip(self._about, (name, board_id, firmware)):
            self._ble.gatts_write(handle, text.encode())
        self._name = name or NAME

    def _advertise(self):
        if self._host is not None:
            return
        age_ms = time.ticks_diff(time.ticks_ms(), self._began_ms)
        interval_us = _QUICK_US if 0 <= age_ms < _QUICK_MS else _SLOW_US
        if self._advertised == interval_us:
            return
        service = bytes(_SERVICE)
        said = _field(1, b"\x06") + _field(7, service) + _field(8, self._name.encode()[:8])
        more = _field(0x21, service + self._board_id) if self._board_id is not None else b""
        self._ble.gap_advertise(interval_us, adv_data=said, resp_data=more)
        self._advertised = interval_us

    def _look_at_battery(self):
        if self._battery is None:
            return
        now = time.ticks_ms()
        if self._battery_ms is not None and time.ticks_diff(now, self._battery_ms) < _BATTERY_MS:
            return
        self._battery_ms = now
        # Through two equal resistors, against 3.3 V.
        volt = self._battery.read_u16() / 65535 * 3.3 * 2
        self._ble.gatts_write(self._level, bytes((percent_of(volt),)), True)


def percent_of(volt):
    """What is left in a lithium cell, from its voltage at rest (common practice, no source)."""
    points = ((3.3, 0), (3.6, 10), (3.7, 25), (3.8, 50), (3.9, 70), (4.0, 85), (4.2, 100))
    if volt <= points[0][0]:
        return 0
    for (low, below), (high, above) in zip(points, points[1:]):
        if volt <= high:
            return round(below + (volt - low) / (high - low) * (above - below))
    return 100


def run():
    """Bridge for ever. Called by main.py."""
    bridge = Bridge()
    while True:
        bridge.step()
        time.sleep_ms(1)
