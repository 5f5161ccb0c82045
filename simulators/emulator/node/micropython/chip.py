"""The chip that is not there: `machine`, `bluetooth`, the clock, as MicroPython documents them.

What passes their edge goes in and out by lines (bridge.mjs).
"""

import json
import sys
import time
from binascii import hexlify, unhexlify

import edge
from micropython import RingIO


class _Chip:
    def __init__(self):
        self.uart = None
        self.ble = None
        self.volt = 3.9
        self.room = None
        self.late = 0.0
        self.random = 12345

    def say(self, **message):
        edge.say(json.dumps(message))

    def now_and_then(self):
        """On a chip an interrupt may come in the middle of anything."""
        self.random = (self.random * 1103515245 + 12345) & 0x7FFFFFFF
        if self.late and (self.random >> 8) % 1000 < 1000 * self.late:
            self.obey_all()

    def obey_all(self):
        while True:
            line = edge.next(False)
            if not line:
                return
            self.obey(json.loads(line))

    def obey(self, message):
        for word, value in message.items():
            if word == "uart":
                self.uart.receive(unhexlify(value))
            elif word == "event":
                self.ble.happen(value[0], tuple(value[1:]))
            elif word == "write":
                self.ble.written(unhexlify(value))
            elif word == "room":
                self.room = value
            elif word == "more":
                self.room += value
            elif word == "volt":
                self.volt = value
            elif word == "late":
                self.late = value
            elif word == "wait":
                return value
        return None

    def sleep_ms(self, ms):
        if not edge.by_hand():
            self.obey_all()
            edge.pause(ms)
            return
        self.owed = getattr(self, "owed", 0) - ms
        edge.moved(ms)
        while self.owed <= 0:
            if hasattr(self, "asked"):
                self.say(turns=edge.turns())
                del self.asked
            line = edge.next(True)
            waited = self.obey(json.loads(line))
            if waited is not None:
                self.owed = waited
                self.asked = True


_chip = _Chip()


class UART:
    def __init__(self, number, baudrate=9600, tx=None, rx=None, rxbuf=256):
        self._held = RingIO(rxbuf + 1)
        _chip.uart = self

    def receive(self, data):
        # What finds the receiver's buffer full is gone, as on a chip.
        taken = self._held.write(data)
        if taken < len(data):
            _chip.say(overrun=len(data) - taken)

    def any(self):
        _chip.now_and_then()
        return self._held.any()

    def read(self, count):
        _chip.now_and_then()
        return self._held.read(count)

    def write(self, data):
        _chip.now_and_then()
        _chip.say(uart=hexlify(data).decode())
        return len(data)


class Pin:
    def __init__(self, number):
        self.number = number


class ADC:
    def __init__(self, pin):
        pass

    def read_u16(self):
        # Through two equal resistors, against 3.3 V.
        return max(0, min(65535, round(_chip.volt / 2 / 3.3 * 65535)))


def UUID(value):
    """What `bytes` makes of one: little endian."""
    if isinstance(value, int):
        return value.to_bytes(2, "little")
    return bytes(reversed(unhexlify(value.replace("-", ""))))


def _text(uuid):
    return hexlify(bytes(reversed(uuid))).decode()


class BLE:
    def __init__(self):
        _chip.ble = self
        self._values = {}
        self._names = {}
        self._append = set()
        self._handler = None
        self._active = False
        self._connected = set()

    def active(self, on=None):
        if on is not None:
            self._active = on
        return self._active

    def config(self, **settings):
        _chip.say(config=settings)

    def irq(self, handler):
        self._handler = handler

    def gatts_register_services(self, services):
        handles = []
        next_handle = 16
        for _, characteristics in services:
            own = []
            for characteristic in characteristics:
                self._values[next_handle] = b""
                self._names[next_handle] = _text(characteristic[0])
                own.append(next_handle)
                next_handle += 3
            handles.append(tuple(own))
        _chip.say(
            services=[[_text(s), [[_text(c[0]), c[1]] for c in cs]] for s, cs in services],
        )
        return tuple(handles)

    def gatts_set_buffer(self, handle, length, append=False):
        self._limit = length
        if append:
            self._append.add(handle)

    def gatts_read(self, handle):
        value = self._values[handle]
        if handle in self._append:
            self._values[handle] = b""
        return value

    def gatts_write(self, handle, data, send_update=False):
        self._values[handle] = bytes(data)
        _chip.say(value=[self._names[handle], hexlify(data).decode()], sent=send_update)

    def gatts_notify(self, connection, handle, data=None):
        _chip.now_and_then()
        if connection not in self._connected:
            raise OSError(128)
        if _chip.room is not None:
            if _chip.room <= 0:
                raise OSError(12)
            _chip.room -= 1
        _chip.say(notify=hexlify(data).decode(), connection=connection)

    def gap_advertise(self, interval_us, adv_data=None, resp_data=None):
        if len(adv_data or b"") > 31 or len(resp_data or b"") > 31:
            raise OSError(22)
        _chip.say(
            advertise={
                "interval_us": interval_us,
                "adv": hexlify(adv_data or b"").decode(),
                "resp": hexlify(resp_data or b"").decode(),
            }
        )

    def happen(self, event, data):
        if event == 1:
            self._connected.add(data[0])
        elif event == 2:
            self._connected.discard(data[0])
        self._handler(event, data)

    def written(self, data):
        """The host wrote to the characteristic that has a buffer."""
        (handle,) = self._append
        value = self._values[handle] + data
        if len(value) > self._limit:
            _chip.say(overrun=len(value) - self._limit)
            value = value[: self._limit]
        self._values[handle] = value
        for connection in self._connected:
            self._handler(3, (connection, handle))


class _Machine:
    UART = UART
    Pin = Pin
    ADC = ADC


class _Bluetooth:
    UUID = UUID
    BLE = BLE
    FLAG_READ = 0x02
    FLAG_WRITE_NO_RESPONSE = 0x04
    FLAG_WRITE = 0x08
    FLAG_NOTIFY = 0x10


sys.modules["machine"] = _Machine
sys.modules["bluetooth"] = _Bluetooth
time.sleep_ms = _chip.sleep_ms
time.ticks_ms = lambda: edge.ms()
