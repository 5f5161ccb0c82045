"""Write ``firmware_notes/wire_vectors.json`` from ``firmware_notes/wire.md``, by hand.

Shares no code with the logger, the simulators or the firmware: every payload is packed here from
the tables of the page, so that all three can be wrong against it.
"""

import json
import struct
import zlib
from pathlib import Path

from cobs import cobs

TARGET = Path(__file__).parents[2] / "firmware_notes" / "wire_vectors.json"
BOARD = bytes.fromhex("4c42000000a1b2c3")


def frame(kind: int, payload: bytes) -> tuple[bytes, bytes]:
    body = bytes([kind]) + payload
    body += struct.pack("<I", zlib.crc32(body))
    return body, cobs.encode(body) + b"\x00"


def hello(name: str, rows: int, cells: int, **over: int) -> tuple[bytes, dict]:
    fields = {
        "protocol_major": 1, "protocol_minor": 0, "board_id": BOARD.hex(), "boot_id": 7,
        "firmware": [0, 3, 12], "tick_hz": 250_000, "rows": rows, "cells": cells,
        "pitch_um": 4000, "row_distance_um": 12_000 if rows > 1 else 0, "scan_order": 0,
        "scan_ticks": 52, "full_scale": 1023, "trigger_level": 24, "oldest_kept": 3,
        "next_sequence": 5, "abilities": 21, "name": name,
    }  # fmt: skip
    fields.update(over)
    f = fields
    payload = (
        bytes([f["protocol_major"], f["protocol_minor"]])
        + bytes.fromhex(f["board_id"])
        + struct.pack("<I", f["boot_id"])
        + bytes(f["firmware"])
        + struct.pack("<IBBHHBIHHIIB", f["tick_hz"], f["rows"], f["cells"], f["pitch_um"],
                      f["row_distance_um"], f["scan_order"], f["scan_ticks"], f["full_scale"],
                      f["trigger_level"], f["oldest_kept"], f["next_sequence"], f["abilities"])
        + bytes([len(name)]) + name.encode("ascii")
    )  # fmt: skip
    return payload, fields


def strike_part(value_bytes: int, rows: int, cells: int, scans: list, **f: int) -> bytes:
    head = struct.pack("<IBBBBBBBI", f["sequence"], f["part"], f["parts"], f["flags"], value_bytes,
                       rows, cells, len(scans), f["span_ticks"])  # fmt: skip
    code = "B" if value_bytes == 1 else "H"
    for ticks, values in scans:
        head += struct.pack(f"<I{len(values)}{code}", ticks, *values)
    return head


def vectors() -> list[dict]:
    out: list[dict] = []

    def add(name: str, kind: int, message: str, payload: bytes, fields: dict) -> None:
        body, wire = frame(kind, payload)
        out.append({"name": name, "message": message, "type": kind, "fields": fields,
                    "decoded_hex": body.hex(), "wire_hex": wire.hex()})  # fmt: skip

    payload, fields = hello("bench one", 1, 16)
    add("hello, one row", 1, "hello", payload, fields)
    payload, fields = hello("", 2, 32, scan_order=2, scan_ticks=0, boot_id=0xFFFFFFFE, tick_hz=1_000_000,
                            oldest_kept=0, next_sequence=0, abilities=31, full_scale=4095)  # fmt: skip
    add("hello, two rows, no name, largest boot id but one", 1, "hello", payload, fields)

    def reading(
        name: str, seq: int, ticks: int, pos: int, trail: int, pressure: int, flags: int, span: int
    ) -> None:
        add(name, 2, "reading", struct.pack("<IIhhHBI", seq, ticks, pos, trail, pressure, flags, span),
            {"sequence": seq, "ticks": ticks, "position": pos, "trail": trail, "pressure": pressure,
             "flags": flags, "span_ticks": span})  # fmt: skip

    reading("reading that sums up a contact", 3, 123_456, 1240, -310, 812, 4, 225)
    reading(
        "reading, trail not known, heel side, first of a contact",
        4,
        0xFFFFFFF0,
        -2250,
        -32768,
        65535,
        9,
        0,
    )
    reading("reading full of zeros", 0, 0, 0, 0, 0, 0, 0)

    scans = [(1000 + 52 * i, [min(255, 5 + i * j) for j in range(16)]) for i in range(3)]
    add("strike in one part, one row of 16, one byte a value", 3, "strike scans",
        strike_part(1, 1, 16, scans, sequence=5, part=0, parts=1, flags=0, span_ticks=156),
        {"sequence": 5, "part": 0, "parts": 1, "flags": 0, "value_bytes": 1, "rows": 1, "cells": 16,
         "span_ticks": 156, "scan_ticks": [t for t, _ in scans], "counts": [v for _, v in scans]})  # fmt: skip
    for part in range(2):
        scans = [
            (
                0xFFFFFFC0 + 40 * (3 * part + i) & 0xFFFFFFFF,
                [(17 * j + 300 * i) % 4096 for j in range(64)],
            )
            for i in range(3)
        ]
        add(f"strike in two parts, two rows of 32, two bytes a value, ticks wrap, part {part}", 3, "strike scans",
            strike_part(2, 2, 32, scans, sequence=0xFFFFFFFF, part=part, parts=2, flags=0xE8, span_ticks=70_000),
            {"sequence": 0xFFFFFFFF, "part": part, "parts": 2, "flags": 0xE8, "value_bytes": 2, "rows": 2, "cells": 32,
             "span_ticks": 70_000, "scan_ticks": [t for t, _ in scans], "counts": [v for _, v in scans]})  # fmt: skip

    def status(name: str, *v: int) -> None:
        names = ["ticks", "supply_mv", "temperature", "noise", "trigger_level", "kept", "dropped", "bad_frames",
                 "oldest_kept", "next_sequence"]  # fmt: skip
        add(name, 4, "status", struct.pack("<IHhHHHIHII", *v), dict(zip(names, v, strict=True)))

    status("status", 987_654, 3870, 215, 24, 24, 2, 0, 0, 3, 5)
    status(
        "status, nothing known, below zero, all full",
        1,
        0,
        -32768,
        65535,
        1023,
        65535,
        4_000_000_000,
        65535,
        9,
        9,
    )
    status("status, below zero", 2, 5000, -75, 0, 1, 0, 1, 1, 0, 0)

    add("clock reply", 5, "clock reply", struct.pack("<III", 0xDEADBEEF, 500_000, 500_007),
        {"token": 0xDEADBEEF, "received_ticks": 500_000, "sent_ticks": 500_007})  # fmt: skip
    for action, what in ((1, "next club"), (2, "take back"), (3, "previous club")):
        add(f"button, {what}", 6, "button", struct.pack("<IIB", 6, 777_777, action),
            {"sequence": 6, "ticks": 777_777, "action": action})  # fmt: skip

    add("ask hello", 0x21, "ask hello", bytes([1, 0]), {"protocol_major": 1, "protocol_minor": 0})
    add("ask clock", 0x22, "ask clock", struct.pack("<I", 0xDEADBEEF), {"token": 0xDEADBEEF})
    add("confirm", 0x23, "confirm", struct.pack("<II", 7, 4), {"boot_id": 7, "sequence": 4})
    add(
        "send again, from the start",
        0x24,
        "send again",
        struct.pack("<II", 7, 0),
        {"boot_id": 7, "sequence": 0},
    )
    add("set trigger", 0x25, "set trigger", struct.pack("<H", 24), {"level": 24})
    return out


def crc16(data: bytes) -> int:
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def lines() -> list[dict]:
    def checked(text: str) -> str:
        return f"{text} *{crc16((text + ' ').encode()):04X}"

    none = {
        "n": None,
        "t": None,
        "x": None,
        "y": None,
        "p": None,
        "d": None,
        "k": None,
        "b": None,
        "checked": False,
    }
    good = [
        ("LB1 x=12.4", {"x": 12.4}),
        (checked("LB1 n=17 t=8123456 x=-3.2 y=1.5 p=812 d=900"),
         {"n": 17, "t": 8123456, "x": -3.2, "y": 1.5, "p": 812, "d": 900, "checked": True}),
        ("LB1 k=next", {"k": "next"}),
        (checked("LB1 n=18 t=9000000 k=back b=mat_2"), {"n": 18, "t": 9000000, "k": "back", "b": "mat_2", "checked": True}),
        ("LB1  x=+0.25   colour=red", {"x": 0.25}),
    ]  # fmt: skip
    bad = ["LB1", "LB1 y=2", "LB1 x=nan", "LB1 x=inf", "LB1 x=1e3", "LB1 x=1 x=2", "LB1 x=1 *0000", "LB1 n=-1 x=1",
           "LB1 n=4294967296 x=1", "LB1 x=1 k=next", "LB1 k=fly", "LB1 x=1 b=no blank", "LB1 x=1 p=70000", "LB1 x="]  # fmt: skip
    return [{"line": text, "fields": {**none, **fields}} for text, fields in good] + [
        {"line": text, "fields": None} for text in bad
    ]


if __name__ == "__main__":
    TARGET.write_text(
        json.dumps({"frames": vectors(), "lines": lines()}, indent=1) + "\n", encoding="ascii"
    )
    print(lines()[1]["line"])
