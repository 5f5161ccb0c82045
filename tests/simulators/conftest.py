"""A host's half of protocol 1, only as much as these tests need, written from the format."""

from __future__ import annotations

import json
import struct
import sys
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cobs import cobs

# The Bluetooth daemon that it stands in for is Linux's.
collect_ignore = [] if sys.platform.startswith("linux") else ["test_ble_board.py"]

VECTORS = Path(__file__).parents[2] / "firmware_notes" / "wire_vectors.json"

_LAYOUTS = {
    2: ("<IIhhHBI", "sequence ticks position trail pressure flags span_ticks"),
    4: (
        "<IHhHHHIHII",
        "ticks supply_mv temperature noise trigger_level kept dropped bad_frames"
        " oldest_kept next_sequence",
    ),
    5: ("<III", "token received_ticks sent_ticks"),
    6: ("<IIB", "sequence ticks action"),
}
_NAMES = {1: "hello", 2: "reading", 3: "strike", 4: "status", 5: "clock reply", 6: "button"}


@dataclass
class Heard:
    kind: str
    fields: dict[str, Any]

    def __getitem__(self, name: str) -> Any:
        return self.fields[name]


def read_frame(encoded: bytes) -> Heard:
    decoded = cobs.decode(encoded)
    assert 5 <= len(decoded) <= 512
    body, crc = decoded[:-4], int.from_bytes(decoded[-4:], "little")
    assert zlib.crc32(body) == crc
    kind, payload = body[0], body[1:]
    if kind in _LAYOUTS:
        layout, names = _LAYOUTS[kind]
        values = struct.unpack(layout, payload)
        return Heard(_NAMES[kind], dict(zip(names.split(), values, strict=True)))
    if kind == 1:
        values = struct.unpack_from("<BB8sI3BIBBHHBIHHIIBB", payload)
        names = (
            "major minor board_id boot_id f0 f1 f2 tick_hz rows cells pitch_um row_distance_um"
            " scan_order scan_ticks full_scale trigger_level oldest_kept next_sequence abilities"
            " name_length"
        )
        fields = dict(zip(names.split(), values, strict=True))
        assert len(payload) == 46 + fields["name_length"]
        return Heard("hello", fields | {"name": payload[46:].decode("ascii")})
    assert kind == 3
    names = "sequence part parts flags value_bytes rows cells scans span_ticks"
    fields = dict(zip(names.split(), struct.unpack_from("<IBBBBBBBI", payload), strict=True))
    size = fields["rows"] * fields["cells"] * fields["value_bytes"]
    rest = payload[15:]
    assert len(rest) == fields["scans"] * (4 + size)
    scans = [rest[i : i + 4 + size] for i in range(0, len(rest), 4 + size)]
    fields["scan_ticks"] = [int.from_bytes(scan[:4], "little") for scan in scans]
    dtype = "<u1" if fields["value_bytes"] == 1 else "<u2"
    fields["counts"] = np.array([np.frombuffer(scan[4:], dtype=dtype) for scan in scans]).reshape(
        -1, fields["rows"], fields["cells"]
    )
    return Heard("strike", fields)


class Host:
    """Says what a host says, reads what a board says."""

    @staticmethod
    def frame(kind: int, payload: bytes) -> bytes:
        body = bytes([kind]) + payload
        return cobs.encode(body + struct.pack("<I", zlib.crc32(body))) + b"\0"

    def ask_hello(self) -> bytes:
        return self.frame(0x21, b"\x01\x00")

    def ask_clock(self, token: int) -> bytes:
        return self.frame(0x22, struct.pack("<I", token))

    def confirm(self, boot_id: int, sequence: int) -> bytes:
        return self.frame(0x23, struct.pack("<II", boot_id, sequence))

    def send_again(self, boot_id: int, sequence: int) -> bytes:
        return self.frame(0x24, struct.pack("<II", boot_id, sequence))

    def set_trigger(self, level: int) -> bytes:
        return self.frame(0x25, struct.pack("<H", level))

    def read(self, data: bytes) -> list[Heard]:
        assert not data or data.endswith(b"\0")
        return [read_frame(piece) for piece in data.split(b"\0") if piece]

    def sequences(self, data: bytes) -> list[int]:
        """Of records, one for each, however many parts."""
        found: list[int] = []
        for heard in self.read(data):
            if "sequence" in heard.fields and heard.fields.get("part", 0) == 0:
                found.append(heard["sequence"])
        return found


@pytest.fixture
def host() -> Host:
    return Host()


@pytest.fixture(scope="session")
def vectors() -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(VECTORS.read_text())
    return loaded
