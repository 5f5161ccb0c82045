"""Colours that stay apart for everybody.

Colour vision is simulated by colorspacious: Machado, Oliveira & Fernandes, IEEE Trans. Vis. Comput.
Graph. 15(6), 2009; differences in CAM02-UCS (Luo, Cui & Li, Color Res. Appl. 31(4), 2006).
"""

import itertools

import numpy as np
import pytest
from colorspacious import cspace_convert, deltaE

from analysis.report.drawing import BLUE, GREY, INK, ORANGE

PAPER = "#ffffff"
PALETTE = {"ink": INK, "blue": BLUE, "orange": ORANGE, "grey": GREY}


def rgb(colour):
    return np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255


def seen(colour, kind):
    if kind is None:
        return rgb(colour)
    if kind == "grey print":
        lightness = cspace_convert(rgb(colour), "sRGB1", "JCh")[0]
        return np.clip(cspace_convert([lightness, 0, 0], "JCh", "sRGB1"), 0, 1)
    space = {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}
    return np.clip(cspace_convert(rgb(colour), space, "sRGB1"), 0, 1)


@pytest.mark.parametrize("kind", [None, "deuteranomaly", "protanomaly", "tritanomaly"])
def test_any_two_colours_stay_apart(kind):
    """A difference of 10 is plain side by side; common practice, no source."""
    colours = {**PALETTE, "paper": PAPER}
    for one, other in itertools.combinations(colours, 2):
        apart = deltaE(
            seen(colours[one], kind), seen(colours[other], kind),
            input_space="sRGB1", uniform_space="CAM02-UCS",
        )  # fmt: skip
        assert apart > 15, (one, other)


def test_all_stand_out_from_the_paper_in_grey_print():
    for name, colour in PALETTE.items():
        grey, paper = seen(colour, "grey print"), seen(PAPER, "grey print")
        assert deltaE(grey, paper, input_space="sRGB1") > 30, name


def test_contrast_with_the_paper():
    """W3C, Web Content Accessibility Guidelines 2.2, 1.4.11 (graphics 3:1) and 1.4.3 (text)."""

    def luminance(colour):
        linear = np.where(
            rgb(colour) <= 0.04045, rgb(colour) / 12.92, ((rgb(colour) + 0.055) / 1.055) ** 2.4
        )
        return float(linear @ [0.2126, 0.7152, 0.0722])

    contrast = {
        name: (luminance(PAPER) + 0.05) / (luminance(colour) + 0.05)
        for name, colour in PALETTE.items()
    }
    # From memory: black on white is 21:1.
    assert (luminance("#ffffff") + 0.05) / (luminance("#000000") + 0.05) == pytest.approx(21)
    assert min(contrast.values()) >= 3
    assert contrast["ink"] >= 7
