"""What fuzzing begins with where there is no corpus yet: valid input of every kind."""

from __future__ import annotations

import json
import random
import struct
from pathlib import Path

_ROOT = Path(__file__).parents[2]
_VECTORS = json.loads((_ROOT / "firmware_notes" / "wire_vectors.json").read_text("ascii"))

# Words that a set file may hold: without them a fuzzer would have to guess them.
SET_WORDS = (
    "player", "hand", "right", "left", "club", "label", "length_mm", "length (in)", "lie",
    "lie_deg", "loft", "bounce", "camber", "camber_u_mm", "sole length", "head material", "forged",
    "cast",
    "bias", "2 mm toe", "1 deg upright", "3 yd left", "pivot", "machine_increment", "set", "37 1/2",
    "36½", "7i", "[[club]]", " = ", "0x", "1979-05-27", "true", "inf", "nan", '"""', "1e9",
)  # fmt: skip


def _bodies():
    return [bytes.fromhex(each["wire_hex"]) for each in _VECTORS["frames"]]


def seeds(target):
    """First inputs of a target."""
    rng = random.Random(target)
    noise = [rng.randbytes(size) for size in (1, 10, 40, 120, 300)]
    frames = _bodies()
    texts = [each["line"].encode() for each in _VECTORS["lines"]]
    if target == "wire":
        return [*frames, b"".join(frames[:6]), *(line + b"\n" for line in texts)]
    if target in ("remade", "again"):
        from cobs import cobs

        bodies = [cobs.decode(wire.strip(b"\x00"))[:-4] for wire in frames if wire.count(0) == 1]
        return [struct.pack("<H", len(body)) + body for body in bodies]
    if target == "lines":
        return [bytes([min(len(line), 127)]) + line[:127] for line in texts]
    if target == "set_toml":
        return [(_ROOT / "examples" / "robin_ashdown.toml").read_bytes(), b'[[club]]\nlabel="7i"\n']
    if target == "set_csv":
        return [
            (_ROOT / "examples" / "mika_tarn.csv").read_bytes(),
            b"player;Ann\nhand;left\nclub;length (in);lie;bias\n7i;37 1/2;62,5;2 mm toe\n",
        ]
    return noise
