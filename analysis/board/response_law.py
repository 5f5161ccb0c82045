"""How a cell's reading follows what presses it.

A film's conductance goes as the pressure on it, from zero; what is read is a voltage. With the film
between supply and converter and a fixed resistor R below it (a divider) the reading is

    y / full scale = g / (1 + g),    g = R / R_film,

so that a cell pressed twice as hard reads less than twice as much, whatever R is; an amplifier that
holds the film's one end at ground (transimpedance) reads g itself. Both are ``g / (1 + bend g)``:
bend 1 and 0, and supply over reference where the converter's reference is not the supply. From the
rest level on the form stays the same, with what is left to full scale in place of full scale.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from analysis.answers import NoAnswerError
from analysis.board.roller import RollerPass, rest_and_noise
from analysis.board.roller_area import cell_responses
from analysis.conventions import FloatArray


class Circuit(StrEnum):
    """What turns a film's resistance into a voltage."""

    UNKNOWN = "unknown"
    DIVIDER = "divider"
    STRAIGHT = "amplifier"


@dataclass(frozen=True, slots=True)
class ResponseLaw:
    """``reading = load / (1 + bend * load)``, both as parts of full scale."""

    bend: float
    bend_u: float
    """Standard uncertainty."""
    circuit: Circuit = Circuit.UNKNOWN

    def __post_init__(self) -> None:
        if not (0 <= self.bend <= 2 and 0 <= self.bend_u <= 1):
            raise ValueError("bend must lie within 0 and 2, its uncertainty within 0 and 1")

    @property
    def is_known(self) -> bool:
        """Whether readings may be made straight with it; if not, it is doubt alone."""
        return self.bend_u <= 0.15

    @property
    def words(self) -> str:
        """Say it to a person."""
        if self.circuit is Circuit.UNKNOWN and not self.is_known:
            return "nobody said how its cells are read (divider or amplifier)"
        what = "" if self.circuit is Circuit.UNKNOWN else f"cells read by a {self.circuit}: "
        what = what.replace("a amplifier", "an amplifier")
        if self.bend == 0:
            return f"{what}readings go as the load"
        return f"{what}a press that would read all of full scale reads {self._at_full:.0f} % of it"

    @property
    def _at_full(self) -> float:
        return 100 / (1 + self.bend)

    def straight(self, reading: FloatArray, full: FloatArray | float) -> FloatArray:
        """Return what the readings would be of a cell that follows its load in proportion.

        Parameters
        ----------
        reading : ndarray
            Counts above rest, any shape.
        full : ndarray or float
            Counts from rest to full scale, > 0.

        Returns
        -------
        ndarray, shape of `reading`
            The same slope at rest. Readings within a hundredth of full scale count as there.
        """
        part = np.clip(self.bend * np.asarray(reading, float) / full, -0.5, _TOP)
        return np.asarray(reading / (1 - part))

    def to_plain(self) -> dict[str, float | str]:
        """Numbers and strings, for the data file."""
        return {"bend": self.bend, "bend_u": self.bend_u, "circuit": str(self.circuit)}

    @classmethod
    def from_plain(cls, kept: Mapping[str, Any]) -> ResponseLaw:
        """Read what `to_plain` wrote.

        Raises
        ------
        ValueError, TypeError
            It is none.
        """
        if set(kept) != {"bend", "bend_u", "circuit"}:
            raise ValueError("no response law: tell the board's circuit again")
        return cls(float(kept["bend"]), float(kept["bend_u"]), Circuit(kept["circuit"]))


# Readings nearer to full load than this tell nothing.
_TOP = 0.99
# A ratio of two resistors: what is left is the converter's own, some counts, and the supply's sag.
_TOLD_U = 0.02
DIVIDER = ResponseLaw(1.0, _TOLD_U, Circuit.DIVIDER)
STRAIGHT = ResponseLaw(0.0, _TOLD_U, Circuit.STRAIGHT)
# Nobody said: it may be either, or a film that levels off by itself.
UNKNOWN = ResponseLaw(0.4, 0.4)
OF_CIRCUIT = {one.circuit: one for one in (UNKNOWN, DIVIDER, STRAIGHT)}

# Tried when a bar's passes are asked for the law; between them by straight lines.
_BENDS = np.linspace(0.0, 1.5, 16)
# A bar's load is weighed; how it comes down on a cell repeats to some per cent.
_LOAD_U = 0.03
_ALIKE = 1.5


def _rest(one: RollerPass) -> FloatArray:
    return rest_and_noise(np.asarray(one.counts, float))[0]


def straightened(one: RollerPass, law: ResponseLaw, full_scale: int) -> tuple[RollerPass, int]:
    """Return a pass of a bar as straight cells would have sent it, and its full scale."""
    counts = np.asarray(one.counts, float)
    rest, _ = rest_and_noise(counts)
    left = np.maximum(full_scale - rest, 1.0)
    # No cell that was below full scale comes to stand above the new one.
    top = float(np.max(rest + law.straight(left, left)))
    at_top = counts >= full_scale
    new = np.where(at_top, top, rest + law.straight(counts - rest, left))
    return RollerPass(one.t_us, new, one.direction), math.ceil(top)


def law_from_passes(
    passes: Sequence[RollerPass], loads: Sequence[float], *, pitch_mm: float, full_scale: int
) -> ResponseLaw:
    """Find the law from a bar drawn along the strip with known loads on it, one load a pass.

    Raises
    ------
    NoAnswerError
        It cannot be told from these passes; says why, and what to do.
    """
    tried, used = [], None
    # No law puts what was read at more than full load.
    most = max(
        float(((counts - rest) / np.maximum(full_scale - rest, 1.0))[counts < full_scale].max())
        for counts, rest in ((np.asarray(p.counts, float), _rest(p)) for p in passes)
    )
    for bend in _BENDS[_BENDS * most < _TOP]:
        law = ResponseLaw(float(bend), 0.0)
        areas: list[FloatArray | None] = []
        for one in passes:
            straight, top = straightened(one, law, full_scale)
            try:
                areas.append(cell_responses(straight, pitch_mm, top).area.ravel())
            except NoAnswerError:
                areas.append(None)
        known = [area is not None for area in areas]
        used = known if used is None else [a and b for a, b in zip(used, known, strict=True)]
        tried.append((float(bend), areas))
    assert used is not None
    if not any(used):
        raise NoAnswerError("no pass shows the cells: draw the bar again, more slowly")
    kept = [place for place, good in enumerate(used) if good]
    try:
        return law_from_bar(
            [loads[place] for place in kept],
            [(bend, np.array([areas[place] for place in kept], float)) for bend, areas in tried],
        )
    except ValueError as reason:
        raise NoAnswerError(str(reason)) from None


def law_from_bar(
    loads: Sequence[float], areas_at: Sequence[tuple[float, FloatArray]]
) -> ResponseLaw:
    """Find the law under which a bar's readings go as its loads.

    Pressure under a bar, added up along its way over a cell, is in proportion to its load however
    wide it presses; readings are only where the law is right.

    Parameters
    ----------
    loads : sequence of float
        Of each pass, any unit, > 0; at least two that differ by half or more.
    areas_at : sequence of (bend, ndarray)
        For each bend tried, rising: straightened readings added up along the way, shape
        (passes, cells); NaN where a pass did not cross a cell.

    Returns
    -------
    ResponseLaw
        `bend_u` from how cells and passes scatter, and how well loads are known.

    Raises
    ------
    ValueError
        Loads too much alike, or no law makes heavier passes read more in proportion.
    """
    weight = np.asarray(loads, float)
    if len(weight) < 2 or not np.all(weight > 0) or weight.max() < _ALIKE * weight.min():
        raise ValueError(
            "the loads are too much alike: roll the bar once light and once at least half as heavy "
            "again"
        )
    log_load = np.log(weight)
    slopes, us = [], []
    bends = np.array([bend for bend, _ in areas_at])
    for _, areas in areas_at:
        with np.errstate(invalid="ignore", divide="ignore"):
            log = np.log(areas)
        slope, u = _slope(log_load, log)
        slopes.append(slope)
        us.append(u)
    slope_of = np.array(slopes)
    if not np.all(np.isfinite(slope_of)):
        raise ValueError("no cell was crossed at two loads: roll the bar from end to end each time")
    if slope_of[0] <= 0:
        raise ValueError(
            "the heavier passes read less than the lighter: were the loads given in the order in "
            "which the passes were made?"
        )
    if not np.all(np.diff(slope_of) > 0):
        raise ValueError("these passes follow no law: draw the bar again, slower, at each load")
    if slope_of[-1] < 1 - 3 * math.hypot(us[-1], _LOAD_U):
        raise ValueError(
            "the heavier passes read less than any law makes of them: a smaller resistor leaves "
            "more of a hard press"
        )
    # Slope of log reading over log load is 1 where the law is right.
    bend = float(np.interp(1.0, slope_of, bends))
    rate = float(np.interp(bend, bends, np.gradient(slope_of, bends)))
    spread = float(np.ptp(log_load))
    u = math.hypot(float(np.interp(bend, bends, np.array(us))), math.sqrt(2) * _LOAD_U / spread)
    return ResponseLaw(bend, min(max(u / rate, _TOLD_U), 1.0))


def _slope(log_load: FloatArray, log: FloatArray) -> tuple[float, float]:
    """Slope over the loads, cells each with a level of its own, and its standard error."""
    seen = np.isfinite(log)
    count = np.maximum(seen.sum(axis=0), 1)
    filled = np.where(seen, log, 0.0)
    x = np.where(seen, log_load[:, None], 0.0)
    x = np.where(seen, x - x.sum(axis=0) / count, 0.0)
    y = np.where(seen, filled - filled.sum(axis=0) / count, 0.0)
    told = float((x * x).sum())
    if told <= 0:
        return math.nan, math.nan
    slope = float((x * y).sum() / told)
    left = np.where(seen, y - slope * x, 0.0)
    # Cells of a pass err together, as the hand that drew it did: passes are what is counted.
    passes = float(np.mean((left.sum(axis=1) / np.maximum(seen.sum(axis=1), 1)) ** 2))
    cells = float((left**2).sum()) / max(int(seen.sum()) - log.shape[1] - 1, 1)
    return slope, math.sqrt(cells / told + passes / max(float(np.var(log_load)), 1e-9) / len(log))


E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)


@dataclass(frozen=True, slots=True)
class Resistor:
    """One choice of the fixed resistor of a divider."""

    ohm: float
    rest_part: float
    """Reading at rest, as a part of full scale."""
    pressed_part: float
    told: float
    """Counts from rest to pressed, as a part of full scale."""
    worst: float
    """Smallest slope against load at the hard press, as a part of the slope at rest."""


def resistors(rest_ohm: float, pressed_ohm: float) -> tuple[Resistor, ...]:
    """Return E12 values (IEC 60063) about a film's two resistances, smallest first.

    Raises
    ------
    ValueError
        The film is not at least five times as conducting when pressed.
    """
    if not (0 < pressed_ohm < math.inf and 5 * pressed_ohm <= rest_ohm < math.inf):
        raise ValueError(
            "pressed hard, the film must fall to a fifth of its resistance at rest or less: look "
            "whether both were measured across the same two leads"
        )
    values = [
        round(one * 10.0**decade, 9)
        for decade in range(
            math.floor(math.log10(pressed_ohm)) - 1, math.ceil(math.log10(rest_ohm)) + 1
        )
        for one in E12
    ]
    return tuple(
        Resistor(
            ohm,
            ohm / (ohm + rest_ohm),
            ohm / (ohm + pressed_ohm),
            ohm / (ohm + pressed_ohm) - ohm / (ohm + rest_ohm),
            ((1 + ohm / rest_ohm) / (1 + ohm / pressed_ohm)) ** 2,
        )
        for ohm in values
        if pressed_ohm / 4 <= ohm <= rest_ohm
    )


def best_resistor(choices: Sequence[Resistor]) -> Resistor:
    """Return the choice whose hard press is half of full scale or next to it.

    Half is where a divider's counts for one part more of load are most (d y / d ln g = y (1 - y)).
    """
    return min(choices, key=lambda one: abs(one.pressed_part - 0.5))
