"""The wire format of the C core, its functions called from Python by what they do."""

from __future__ import annotations

import ctypes
import struct
from pathlib import Path


class HelloC(ctypes.Structure):
    _fields_ = (
        ("board_id", ctypes.c_uint8 * 8),
        ("boot_id", ctypes.c_uint32),
        ("firmware", ctypes.c_uint8 * 3),
        ("tick_hz", ctypes.c_uint32),
        ("rows", ctypes.c_uint8),
        ("cells", ctypes.c_uint8),
        ("pitch_um", ctypes.c_uint16),
        ("row_distance_um", ctypes.c_uint16),
        ("scan_order", ctypes.c_uint8),
        ("scan_ticks", ctypes.c_uint32),
        ("full_scale", ctypes.c_uint16),
        ("trigger_level", ctypes.c_uint16),
        ("oldest_kept", ctypes.c_uint32),
        ("next_sequence", ctypes.c_uint32),
        ("abilities", ctypes.c_uint8),
        ("name", ctypes.c_char_p),
    )


class ReadingC(ctypes.Structure):
    _fields_ = (
        ("sequence", ctypes.c_uint32),
        ("ticks", ctypes.c_uint32),
        ("position", ctypes.c_int16),
        ("trail", ctypes.c_int16),
        ("pressure", ctypes.c_uint16),
        ("flags", ctypes.c_uint8),
        ("span_ticks", ctypes.c_uint32),
    )


class StrikePartC(ctypes.Structure):
    _fields_ = (
        ("sequence", ctypes.c_uint32),
        ("part", ctypes.c_uint8),
        ("parts", ctypes.c_uint8),
        ("flags", ctypes.c_uint8),
        ("value_bytes", ctypes.c_uint8),
        ("rows", ctypes.c_uint8),
        ("cells", ctypes.c_uint8),
        ("scans", ctypes.c_uint8),
        ("span_ticks", ctypes.c_uint32),
    )


class StatusC(ctypes.Structure):
    _fields_ = (
        ("ticks", ctypes.c_uint32),
        ("supply_mv", ctypes.c_uint16),
        ("temperature", ctypes.c_int16),
        ("noise", ctypes.c_uint16),
        ("trigger_level", ctypes.c_uint16),
        ("kept", ctypes.c_uint16),
        ("dropped", ctypes.c_uint32),
        ("bad_frames", ctypes.c_uint16),
        ("oldest_kept", ctypes.c_uint32),
        ("next_sequence", ctypes.c_uint32),
    )


class HostMessageC(ctypes.Structure):
    _fields_ = (
        ("type", ctypes.c_uint8),
        ("major", ctypes.c_uint8),
        ("minor", ctypes.c_uint8),
        ("token", ctypes.c_uint32),
        ("boot_id", ctypes.c_uint32),
        ("sequence", ctypes.c_uint32),
        ("level", ctypes.c_uint16),
    )


class Core:
    """The C functions, by what they do."""

    def __init__(self, library: Path) -> None:
        self._c = ctypes.CDLL(str(library))
        self._c.probe_crc32.restype = ctypes.c_uint32
        self._room = (ctypes.c_uint8 * 1024)()

    def crc32(self, data: bytes) -> int:
        return self._c.probe_crc32(data, len(data))

    def cobs_encode(self, data: bytes) -> bytes:
        return bytes(self._room[: self._c.probe_cobs_encode(data, len(data), self._room)])

    def cobs_decode(self, data: bytes) -> bytes | None:
        count = self._c.probe_cobs_decode(data, len(data), self._room)
        return None if count < 0 else bytes(self._room[:count])

    def put(self, name: str, *arguments: object) -> bytes:
        getattr(self._c, name)(*arguments)
        return bytes(self._room[: self._c.probe_frame(self._room)])

    def from_fields(self, message: str, fields: dict) -> bytes:
        """A frame from the fields as ``wire_vectors.json`` names them."""
        f = dict(fields)
        if message == "hello":
            f["board_id"] = (ctypes.c_uint8 * 8)(*bytes.fromhex(f["board_id"]))
            f["firmware"] = (ctypes.c_uint8 * 3)(*f["firmware"])
            f["name"] = f["name"].encode("ascii")
            del f["protocol_major"], f["protocol_minor"]
            return self.put("wire_put_hello", ctypes.byref(HelloC(**f)))
        if message == "reading":
            return self.put("wire_put_reading", ctypes.byref(ReadingC(**f)))
        if message == "status":
            return self.put("wire_put_status", ctypes.byref(StatusC(**f)))
        if message == "strike scans":
            ticks, counts = f.pop("scan_ticks"), f.pop("counts")
            code = "B" if f["value_bytes"] == 1 else "H"
            scans = b"".join(
                struct.pack(f"<I{len(row)}{code}", tick, *row)
                for tick, row in zip(ticks, counts, strict=True)
            )
            head = StrikePartC(scans=len(ticks), **f)
            return self.put("probe_strike_part", ctypes.byref(head), scans, len(scans))
        if message == "clock reply":
            numbers = (f["token"], f["received_ticks"], f["sent_ticks"])
            return self.put("wire_put_clock_reply", *map(ctypes.c_uint32, numbers))
        assert message == "button"
        sequence, ticks = ctypes.c_uint32(f["sequence"]), ctypes.c_uint32(f["ticks"])
        return self.put("wire_put_button", sequence, ticks, ctypes.c_uint8(f["action"]))

    def read_host(self, data: bytes) -> tuple[list[HostMessageC], int]:
        """The messages that the board would obey, and how many frames it would count as bad."""
        messages = (HostMessageC * 64)()
        bad = ctypes.c_uint32()
        count = self._c.probe_read_host(data, len(data), messages, 64, ctypes.byref(bad))
        return list(messages)[:count], bad.value
