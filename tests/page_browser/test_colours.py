"""Colours of the live page stay apart for everybody, in both lights.

Colour vision is simulated by colorspacious: Machado, Oliveira & Fernandes, IEEE Trans. Vis. Comput.
Graph. 15(6), 2009; differences in CAM02-UCS (Luo, Cui & Li, Color Res. Appl. 31(4), 2006).
Contrast: W3C, Web Content Accessibility Guidelines 2.2, 1.4.3 (text 4.5:1), 1.4.11 (graphics 3:1).
"""

import itertools
import re
from pathlib import Path

import numpy as np
import pytest
from colorspacious import cspace_convert, deltaE

STYLE = (Path(__file__).parents[2] / "logger" / "page" / "assets" / "tokens.css").read_text()
# What carries meaning; tint and edge lie behind or around it.
SIGNS = ("ink", "blue", "orange", "grey", "paper")
TEXT = ("ink", "soft", "blue", "orange")


def palette(selector):
    block = STYLE.partition(selector + " {")[2].partition("}")[0]
    return dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", block))


LIGHTS = {"bright": palette(":root"), "dark": palette(':root[data-light="dark"]')}


def rgb(colour):
    return np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255


def seen(colour, kind):
    if kind is None:
        return rgb(colour)
    space = {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}
    return np.clip(cspace_convert(rgb(colour), space, "sRGB1"), 0, 1)


def contrast(one, other):
    def luminance(colour):
        linear = np.where(
            rgb(colour) <= 0.04045, rgb(colour) / 12.92, ((rgb(colour) + 0.055) / 1.055) ** 2.4
        )
        return float(linear @ [0.2126, 0.7152, 0.0722])

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_both_lights_name_the_same_colours():
    assert set(LIGHTS["bright"]) == set(LIGHTS["dark"]) >= {*SIGNS, *TEXT}


@pytest.mark.parametrize("light", LIGHTS)
@pytest.mark.parametrize("kind", [None, "deuteranomaly", "protanomaly", "tritanomaly"])
def test_any_two_signs_stay_apart(light, kind):
    """A difference of 10 is plain side by side; common practice, no source."""
    colours = LIGHTS[light]
    for one, other in itertools.combinations(SIGNS, 2):
        apart = deltaE(
            seen(colours[one], kind), seen(colours[other], kind),
            input_space="sRGB1", uniform_space="CAM02-UCS",
        )  # fmt: skip
        assert apart > 15, (one, other)


@pytest.mark.parametrize("light", LIGHTS)
@pytest.mark.parametrize("behind", ["paper", "tint"])
def test_contrast(light, behind):
    colours = LIGHTS[light]
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    for name in TEXT:
        assert contrast(colours[name], colours[behind]) >= 4.5, name
    assert contrast(colours["grey"], colours[behind]) >= 3
    # In the sun: level AAA asks 7:1 of text.
    assert contrast(colours["ink"], colours[behind]) >= 7
