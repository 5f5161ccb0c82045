"""All fuzz targets of the Python side, by name."""

from __future__ import annotations

from fuzz_data_file import upgrade
from fuzz_files import capture, set_csv, set_toml
from fuzz_talk import talk
from fuzz_wire import again, clock, lines, remade, wire

TARGETS = {
    target.__name__: target
    for target in (wire, remade, lines, again, clock, talk, set_toml, set_csv, capture, upgrade)
}
