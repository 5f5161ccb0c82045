"""All overlays and measured lies of a set together: the lies that agree best, and what contradicts.

Readings form a network of differences and heights, adjusted by weighted least squares as a
levelling net is; a reading that contradicts the others is found by its standardised residual
(Baarda, A testing procedure for use in geodetic networks, 1968, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc, ndtri

from analysis.answers import NoAnswerError
from analysis.conventions import FloatArray
from analysis.gradation.overlay import LieStep

# Readings whose residuals are this strongly tied cannot be told apart.
_TIED = 0.95


@dataclass(frozen=True, slots=True)
class MeasuredLie:
    """Static lie of one club as read on a gauge."""

    label: str
    lie_deg: float
    u_deg: float = 0.25
    """Reading of a loft-and-lie machine's gauge. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class CheckedReading:
    """One reading against all others."""

    reading: LieStep | MeasuredLie
    adjusted_deg: float
    residual_deg: float
    """Reading minus adjusted."""
    redundancy: float
    """0 = nothing else checks it, 1 = fully checked by the others."""
    standardised: float
    """Residual over its standard deviation; NaN when nothing checks it."""
    is_suspect: bool

    @property
    def name(self) -> str:
        """The reading in words."""
        if isinstance(self.reading, MeasuredLie):
            return f"measured lie of {self.reading.label}"
        return f"overlay of {self.reading.first} and {self.reading.second}"


@dataclass(frozen=True, slots=True)
class LieNetwork:
    """Lies and steps that agree best with everything read."""

    labels: tuple[str, ...]
    lie_deg: FloatArray
    """Shape (n,). NaN for clubs that no measured lie reaches."""
    u_deg: FloatArray
    """Shape (n,)."""
    readings: tuple[CheckedReading, ...]
    """In the order given, steps first."""
    chi2: float
    dof: int
    p_value: float
    """Chance of a misfit at least as large if every uncertainty is right; 1 without checks."""
    findings: tuple[str, ...]
    """Plain words: contradictions, and what nothing checks."""
    relative_deg: FloatArray
    """Shape (n,): lies counted from the first club of each connected group."""
    covariance_deg2: FloatArray
    """Shape (n, n), of ``relative_deg`` where no lie was measured, else of ``lie_deg``."""
    group: tuple[int, ...]
    """Shape (n,): clubs with the same number hang together."""

    def step_deg(self, first: str, second: str) -> tuple[float, float]:
        """Give the adjusted lie step from one club to another, with its standard uncertainty.

        Parameters
        ----------
        first, second : str
            Labels.

        Returns
        -------
        step_deg, u_deg : float
            Positive = the second is more upright.

        Raises
        ------
        NoAnswerError
            Nothing read connects the two.
        ValueError
            A label that is not in the network.
        """
        for label in (first, second):
            if label not in self.labels:
                raise ValueError(f"{label}: no such club among the readings")
        a, b = self.labels.index(first), self.labels.index(second)
        absolute = not (math.isnan(self.lie_deg[a]) or math.isnan(self.lie_deg[b]))
        if self.group[a] != self.group[b] and not absolute:
            raise NoAnswerError(f"no overlay and no measured lie connects {first} and {second}")
        values = self.lie_deg if absolute else self.relative_deg
        cov = self.covariance_deg2
        variance = cov[a, a] + cov[b, b] - 2 * cov[a, b]
        return float(values[b] - values[a]), math.sqrt(max(float(variance), 0.0))


def adjust(
    steps: Sequence[LieStep],
    lies: Sequence[MeasuredLie] = (),
    *,
    labels: Sequence[str] | None = None,
    confidence: float = 0.90,
) -> LieNetwork:
    """Bring overlays and measured lies of a set into one, and name what contradicts.

    Parameters
    ----------
    steps : sequence of LieStep
        Overlays, each pair as often as it was read.
    lies : sequence of MeasuredLie
        Gauge readings, each club as often as it was read; may be empty.
    labels : sequence of str, optional
        Order of the clubs in the answer; as they first occur if not given. Clubs that nothing was
        read of may be among them.
    confidence : float
        Chance that no reading is suspected when all are as good as they say.

    Returns
    -------
    LieNetwork

    Raises
    ------
    NoAnswerError
        Nothing to adjust.
    ValueError
        A reading not finite, an uncertainty not positive, a label that ``labels`` lacks.

    Notes
    -----
    Weights are 1/u^2 and the uncertainties are taken as known, so the result is not narrowed or
    widened by the misfit. A group of clubs without a measured lie is held at its first club:
    its steps are as good, its level is not known. A reading is suspected if its standardised
    residual is the largest and over the limit for that many readings (Sidak); readings tied to it
    by more than 0.95 are named with it, because nothing tells them apart.
    """
    if not steps and not lies:
        raise NoAnswerError("no overlay and no measured lie: nothing to adjust")
    if not 0 < confidence < 1:
        raise ValueError("confidence must lie within 0 and 1")
    order = _labels(steps, lies, labels)
    design, values, u = _equations(steps, lies, order)
    group = _groups(steps, order)
    level_known = {group[order.index(lie.label)] for lie in lies}
    free = [i for i, g in enumerate(group) if g in level_known or i != group.index(g)]
    scaled = design[:, free] / u[:, None]
    cov = np.zeros((len(order), len(order)))
    # Every group has a lie or a club held at 0, so the normal equations have full rank.
    inverse = np.linalg.inv(scaled.T @ scaled)
    cov[np.ix_(free, free)] = inverse
    found = np.zeros(len(order))
    found[free] = inverse @ (scaled.T @ (values / u))
    residual = values - design @ found
    # Of the scaled residuals: I - A N^-1 A^T; its diagonal is the redundancy (Baarda).
    left = np.eye(len(u)) - scaled @ inverse @ scaled.T
    known = np.array([g in level_known for g in group])
    checked, findings = _check(steps, lies, values, residual, u, left, confidence)
    dof = len(u) - len(free)
    chi2 = float(np.sum((residual / u) ** 2))
    p_value = float(chdtrc(dof, chi2)) if dof else 1.0
    if dof and p_value < 1 - confidence and not any(c.is_suspect for c in checked):
        findings.append(
            "the readings scatter more than their uncertainties say, but no single one stands out"
        )
    lone = [order[i] for i in range(len(order)) if not known[i] and group.count(group[i]) == 1]
    if lone:
        findings.append(f"nothing was read of {', '.join(lone)}")
    held = [label for i, label in enumerate(order) if not known[i] and label not in lone]
    if held:
        findings.append(f"no measured lie reaches {', '.join(held)}: only their steps are known")
    start = np.array([found[group.index(g)] for g in group])
    return LieNetwork(
        labels=tuple(order),
        lie_deg=np.where(known, found, np.nan),
        u_deg=np.where(known, np.sqrt(np.diag(cov)), np.nan),
        readings=checked,
        chi2=chi2,
        dof=dof,
        p_value=p_value,
        findings=tuple(findings),
        relative_deg=found - start,
        covariance_deg2=cov,
        group=tuple(group),
    )


def _labels(
    steps: Sequence[LieStep], lies: Sequence[MeasuredLie], labels: Sequence[str] | None
) -> list[str]:
    used = [label for step in steps for label in (step.first, step.second)]
    used += [lie.label for lie in lies]
    if labels is None:
        return list(dict.fromkeys(used))
    lacking = [label for label in dict.fromkeys(used) if label not in labels]
    if lacking:
        raise ValueError(f"{', '.join(lacking)}: read, but not among the clubs of the set")
    if len(set(labels)) != len(labels):
        raise ValueError("two clubs of the set have the same label")
    return list(labels)


def _equations(
    steps: Sequence[LieStep], lies: Sequence[MeasuredLie], order: Sequence[str]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Design (m, n), readings (m,) and their uncertainties (m,)."""
    design = np.zeros((len(steps) + len(lies), len(order)))
    for row, step in enumerate(steps):
        if step.first == step.second:
            raise ValueError(f"{step.first}: an overlay takes two clubs")
        design[row, order.index(step.second)] = 1.0
        design[row, order.index(step.first)] = -1.0
    for row, lie in enumerate(lies, start=len(steps)):
        design[row, order.index(lie.label)] = 1.0
    values = np.array([s.step_deg for s in steps] + [lie.lie_deg for lie in lies], dtype=np.float64)
    u = np.array([s.u_deg for s in steps] + [lie.u_deg for lie in lies], dtype=np.float64)
    if not (np.isfinite(values).all() and np.isfinite(u).all() and np.all(u > 0)):
        raise ValueError("readings must be finite and their uncertainties positive")
    return design, values, u


def _groups(steps: Sequence[LieStep], order: Sequence[str]) -> list[int]:
    """Return the number of the connected group of each club."""
    group = list(range(len(order)))
    for step in steps:
        keep, drop = sorted((group[order.index(step.first)], group[order.index(step.second)]))
        group = [keep if g == drop else g for g in group]
    return group


def _check(
    steps: Sequence[LieStep],
    lies: Sequence[MeasuredLie],
    values: FloatArray,
    residual: FloatArray,
    u: FloatArray,
    left: FloatArray,
    confidence: float,
) -> tuple[tuple[CheckedReading, ...], list[str]]:
    readings: list[LieStep | MeasuredLie] = [*steps, *lies]
    redundancy = np.clip(np.diag(left), 0.0, 1.0)
    # Below this the residual is rounding.
    seen = redundancy > 1e-9
    sd = np.sqrt(np.where(seen, redundancy, 1.0))
    standard = np.where(seen, residual / u / sd, np.nan)
    suspects: list[int] = []
    if seen.any():
        limit = float(ndtri((1 + confidence ** (1 / int(seen.sum()))) / 2))
        worst = int(np.nanargmax(np.abs(standard)))
        if abs(standard[worst]) > limit:
            tie = np.abs(left[worst] / (sd * sd[worst]))
            suspects = [int(i) for i in np.flatnonzero(seen & (tie > _TIED))]
    checked = tuple(
        CheckedReading(
            reading=reading,
            adjusted_deg=float(values[i] - residual[i]),
            residual_deg=float(residual[i]),
            redundancy=float(redundancy[i]),
            standardised=float(standard[i]),
            is_suspect=i in suspects,
        )
        for i, reading in enumerate(readings)
    )
    findings = []
    if len(suspects) == 1:
        bad = checked[suspects[0]]
        # Residual over redundancy: what the reading itself must be off by (Baarda).
        off = bad.residual_deg / bad.redundancy
        findings.append(
            f"the {bad.name} contradicts the others by {abs(off):.1f}°, "
            f"{abs(bad.standardised):.1f} times what is to be expected: read it again"
        )
    elif suspects:
        names = ", ".join(checked[i].name for i in suspects)
        findings.append(f"one of these contradicts the others, which one cannot be told: {names}")
    return checked, findings


def worst_reading_removed(
    steps: Sequence[LieStep], lies: Sequence[MeasuredLie], network: LieNetwork
) -> tuple[tuple[LieStep, ...], tuple[MeasuredLie, ...]]:
    """Leave out the reading that contradicts the others, to adjust once more.

    Parameters
    ----------
    steps, lies : sequences
        As `adjust` had them.
    network : LieNetwork
        What it made of them.

    Returns
    -------
    steps, lies : tuples
        All of them where no reading is suspected, or where it cannot be told which of several it
        is: that is for a person.
    """
    suspects = [i for i, reading in enumerate(network.readings) if reading.is_suspect]
    if len(suspects) != 1:
        return tuple(steps), tuple(lies)
    out = suspects[0]
    return (
        tuple(s for i, s in enumerate(steps) if i != out),
        tuple(lie for i, lie in enumerate(lies, start=len(steps)) if i != out),
    )
