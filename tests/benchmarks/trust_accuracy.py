"""How well cells are calibrated and a camber is measured, on data worked out from physics.

Run ``python tests/benchmarks/trust_accuracy.py``; the last line is JSON. The strip and the bar are
those of ``tests/board/conftest.py`` (a cylinder on an elastic foundation, a hand whose speed varies
by 30 %, a load that tilts by 3 %), the rocking series has 9 angles within +-3 degrees.
"""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path

import numpy as np

from analysis.board.camber import fit_camber
from analysis.board.cell_calibration import calibrate_cells

STUDIES = 30
SERIES = 400


def calibration() -> dict[str, float]:
    """Errors of the gains over many strips, six passes each."""
    place = Path(__file__).parents[1] / "board" / "conftest.py"
    spec = importlib.util.spec_from_file_location("trust_scene", place)
    scene = importlib.util.module_from_spec(spec)
    sys.modules["trust_scene"] = scene
    spec.loader.exec_module(scene)
    errors, said = [], []
    for seed in range(STUDIES):
        rng = np.random.default_rng(seed)
        gain = np.exp(rng.normal(0.0, 0.15, (1, 32)))
        strip = scene.Strip(gain=gain / gain.mean(), noise=4.0, rng=rng)
        found = calibrate_cells(
            strip.there_and_back(3, jerk=0.3, tilt=0.03), pitch_mm=4.0, full_scale=4095, made=""
        )
        errors.append(np.array(found.gain) / strip.gain - 1.0)
        said.append(np.array(found.u_gain) / np.array(found.gain))
    z = np.array(errors) / np.array(said)
    return {
        "gain_rms_error_percent": round(100 * float(np.sqrt(np.mean(np.square(errors)))), 2),
        "gain_mean_u_percent": round(100 * float(np.mean(said)), 2),
        "gain_within_2u_percent": round(100 * float(np.mean(np.abs(z) <= 2)), 1),
    }


def camber() -> dict[str, float]:
    """Errors of the radius, contacts scattered by 0.4 mm, display in steps of 0.1 degree."""
    radii, inside = [], 0
    for seed in range(SERIES):
        rng = np.random.default_rng(seed)
        true = np.linspace(-3, 3, 9) + rng.uniform(-0.05, 0.05, 9)
        toe = -280.0 * np.tan(np.radians(true)) + rng.normal(0, 0.4, 9)
        found = fit_camber(np.round(true, 1), toe)
        low, high = found.interval_mm(0.90)
        radii.append(found.camber_mm)
        inside += low <= 280.0 <= high
    return {
        "camber_bias_percent": round(100 * (float(np.mean(radii)) / 280.0 - 1.0), 2),
        "camber_sd_percent": round(100 * float(np.std(radii)) / 280.0, 2),
        "camber_90_interval_holds_percent": round(100 * inside / SERIES, 1),
    }


if __name__ == "__main__":
    print(json.dumps({**calibration(), **camber()}))
