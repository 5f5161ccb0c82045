"""Scripted strikes with exact truth, from a JSON file.

::

    {"clubs":  {"7i": {"camber_mm": 300, "length_mm": 78}},
     "events": [{"club": "7i", "lie_error_deg": 1.0, "c_mm": 0, "depth_mm": 2.0, "trail_mm": 0},
                {"button": "next", "after_ms": 200},
                {"kind": "waggle", "club": "7i", "depth_mm": 0.4, "speed_mm_per_ms": 0.8},
                {"kind": "rest", "club": "7i", "depth_mm": 0.8, "hold_ms": 900},
                {"kind": "foot", "c_mm": 10, "width_mm": 95, "depth_mm": 2, "hold_ms": 300},
                {"restart": "warm"}]}

An event comes `after_ms` (default: the pace) after the one before it. Clubs not named in `clubs`
are those of the invented set; fields of a sole are those of `simulators.sole.Sole`, fields of an
event those of `simulators.sole.Pass`. Anything misspelt is refused.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

from simulators.clubs import default_set
from simulators.contacts import (
    Contact,
    Event,
    Foot,
    HeldSole,
    Press,
    Restart,
    SolePass,
    strike_truth,
)
from simulators.sole import Pass, Sole

_SOLE_FIELDS = {f.name for f in fields(Sole)}
_PASS_FIELDS = {f.name for f in fields(Pass)}
_ACTIONS = {"next": 1, "back": 2, "previous": 3}
_RAMP_MS = 50.0


class ScriptError(ValueError):
    """A script that cannot be played; says which event and why."""


def read_script(path: Path, *, pace_ns: int, hand: int) -> list[Event]:
    """Read a script file into a schedule.

    Raises
    ------
    ScriptError
        Names what is wrong with the file.
    OSError
        The file cannot be read.
    """
    try:
        script = json.loads(path.read_text(encoding="utf-8"))
    except json.JSONDecodeError as error:
        raise ScriptError(f"{path} is not JSON: {error}") from error
    if not isinstance(script, dict) or not isinstance(script.get("events"), list):
        raise ScriptError(f'{path} needs an object with a list "events"')
    return parse_script(script, pace_ns=pace_ns, hand=hand)


def parse_script(script: Mapping[str, Any], *, pace_ns: int, hand: int) -> list[Event]:
    """Turn a script's content into a schedule; see `read_script`."""
    soles = {club.label: club.sole for club in default_set()}
    for label, make in script.get("clubs", {}).items():
        if unknown := set(make) - _SOLE_FIELDS:
            raise ScriptError(f"club {label}: a sole has no {', '.join(sorted(unknown))}")
        soles[label] = Sole(**make)
    events: list[Event] = []
    at_ns = 0
    for number, raw in enumerate(script["events"]):
        entry = dict(raw)
        at_ns += int(float(entry.pop("after_ms", pace_ns / 1e6)) * 1e6)
        try:
            events.append(_event(entry, at_ns, soles, hand))
        except (TypeError, KeyError, ValueError) as error:
            raise ScriptError(f"event {number}: {error}") from error
    return events


def _event(entry: dict[str, Any], at_ns: int, soles: Mapping[str, Sole], hand: int) -> Event:
    club = str(entry.pop("club", ""))
    if "button" in entry:
        return Press(at_ns, _ACTIONS[entry["button"]], club)
    if "restart" in entry:
        return Restart(at_ns, warm=entry["restart"] == "warm")
    kind = entry.pop("kind", "strike")
    if kind == "foot":
        foot = Foot(entry.pop("c_mm", 0.0), entry.pop("width_mm", 95.0),
                    entry.pop("depth_mm", 2.0), entry.pop("hold_ms", 300.0), _RAMP_MS)  # fmt: skip
        _nothing_left(entry)
        return Contact(at_ns, kind, club, foot)
    if club not in soles:
        raise ValueError(f"no club {club!r}; there are {', '.join(soles)}")
    sole = soles[club]
    hold_ms = float(entry.pop("hold_ms", 800.0)) if kind == "rest" else 0.0
    swing = Pass(
        hand=hand, **{k: float(entry.pop(k)) for k in list(entry) if k in _PASS_FIELDS - {"hand"}}
    )
    _nothing_left(entry)
    truth = strike_truth(sole, swing)
    if kind == "rest":
        return Contact(at_ns, kind, club, HeldSole(sole, swing, hold_ms, _RAMP_MS), truth)
    if kind not in ("strike", "waggle"):
        raise ValueError(f"no kind {kind!r}; there are strike, waggle, rest, foot")
    return Contact(at_ns, kind, club, SolePass(sole, swing), truth)


def _nothing_left(entry: Mapping[str, Any]) -> None:
    if entry:
        raise ValueError(f"cannot use {', '.join(sorted(entry))}")
