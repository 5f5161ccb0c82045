"""Corpora: one file per target, one input a line in Base64.

A line beginning with ``#`` says what the input below it once broke; such inputs are always kept.
"""

from __future__ import annotations

import base64
from pathlib import Path

FOLDER = Path(__file__).parent / "corpus"


def read(target):
    """Inputs of a target, and for each what it broke (empty if nothing)."""
    path = FOLDER / f"{target}.txt"
    inputs, why = {}, ""
    for line in path.read_text("ascii").splitlines() if path.exists() else ():
        if line.startswith("#"):
            why = line.removeprefix("#").strip()
        else:
            inputs[base64.b64decode(line)] = why
            why = ""
    return inputs


def write(target, inputs):
    """Write inputs, those that broke something first."""
    lines = []
    for data in sorted(inputs, key=lambda each: (not inputs[each], len(each), each)):
        if inputs[data]:
            lines.append(f"# {inputs[data]}")
        lines.append(base64.b64encode(data).decode("ascii"))
    (FOLDER / f"{target}.txt").write_text("".join(f"{line}\n" for line in lines), "ascii")
