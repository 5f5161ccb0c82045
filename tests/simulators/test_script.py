"""Scripts: exact truth in, and a clear refusal of what cannot be played."""

from __future__ import annotations

import json

import pytest

from simulators.contacts import Contact, Press, Restart
from simulators.script import ScriptError, parse_script, read_script

PACE_NS = 1_000_000


def test_a_script_is_played_to_the_letter(tmp_path):
    script = {
        "clubs": {"7i": {"camber_mm": 250, "length_mm": 70}},
        "events": [
            {"club": "7i", "lie_error_deg": 1.0, "c_mm": 2.5, "trail_mm": -1},
            {"button": "back", "after_ms": 10},
            {"kind": "rest", "club": "SW", "depth_mm": 0.8, "hold_ms": 900},
            {"restart": "warm"},
        ],
    }
    path = tmp_path / "script.json"
    path.write_text(json.dumps(script))
    strike, press, rest, restart = read_script(path, pace_ns=PACE_NS, hand=-1)
    assert isinstance(strike, Contact)
    truth = strike.truth
    assert (truth["camber_mm"], truth["length_mm"], truth["hand"]) == (250, 70, "left")
    # R tan(1 deg) = 4.364 mm toward the heel, which a left-hander has at positive x.
    assert truth["toe_mm"] == pytest.approx(-4.364, abs=0.01)
    assert truth["board_mm"] == pytest.approx(2.5 + 4.364, abs=0.01)
    assert press == Press(11_000_000, 2, "")
    assert isinstance(rest, Contact)
    assert rest.load.window_ms(None) == (0.0, 1000.0)
    assert restart == Restart(13_000_000, warm=True)


@pytest.mark.parametrize(
    ("event", "says"),
    [
        ({"club": "2i"}, "no club '2i'"),
        ({"club": "7i", "lie_eror_deg": 1}, "cannot use lie_eror_deg"),
        ({"club": "7i", "kind": "dance"}, "no kind 'dance'"),
        ({"club": "7i", "c_mm": "left"}, "event 0"),
        ({"button": "up"}, "event 0"),
    ],
)
def test_what_cannot_be_played_is_named(event, says):
    with pytest.raises(ScriptError, match=says):
        parse_script({"events": [event]}, pace_ns=PACE_NS, hand=1)


def test_files_that_are_no_script(tmp_path):
    path = tmp_path / "bad.json"
    path.write_text("{")
    with pytest.raises(ScriptError, match="not JSON"):
        read_script(path, pace_ns=PACE_NS, hand=1)
    path.write_text("[]")
    with pytest.raises(ScriptError, match="events"):
        read_script(path, pace_ns=PACE_NS, hand=1)
    with pytest.raises(ScriptError, match="no roundness"):
        parse_script({"clubs": {"7i": {"roundness": 1}}, "events": []}, pace_ns=1, hand=1)
