"""Where the fit of a footprint begins: patch, parabola and sole ends by inspection."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from analysis.conventions import FloatArray
from analysis.footprint.linear import single
from analysis.footprint.model import HEEL, LOG_A, LOG_H, SHAPE, TOE, C, Cells, L, V, ground_off
from analysis.footprint.types import BoolArray

# A cell is pressed above this part of the peak, or this many standard deviations.
_PRESSED_PART = 0.1
_PRESSED_SD = 4.0
# Strikes priced together: some half a dozen arrays of 200 pairs of cells should stay in the cache.
_BLOCK = 256


@dataclass(frozen=True)
class Patch:
    """The run of pressed cells about the greatest value."""

    peak: FloatArray
    first: NDArray[np.intp]
    last: NDArray[np.intp]
    pressed: BoolArray
    """(n, cells): pressed, in the run or not."""
    filled: FloatArray
    """(n, cells): values with single holes bridged."""

    def take(self, rows: NDArray[np.intp]) -> Patch:
        """Pick some of the strikes."""
        return Patch(*(getattr(self, field.name)[rows] for field in fields(self)))

    @property
    def width_cells(self) -> NDArray[np.intp]:
        """Cells in the run."""
        return np.asarray(self.last - self.first + 1)


def find_patch(y: FloatArray, variance: FloatArray) -> Patch:
    """Find the run of pressed cells; ``y`` (n, cells) finite, ``variance`` of its offset noise."""
    n, cells = y.shape
    left = np.concatenate([y[:, 1:2], y[:, :-1]], axis=1)
    right = np.concatenate([y[:, 1:], y[:, -2:-1]], axis=1)
    between = np.minimum(left, right)
    filled = np.where(y < 0.5 * between, (left + right) / 2, y)
    # A lone spike is no patch: the peak is judged on values no greater than the better neighbour's.
    calm = np.minimum(filled, np.maximum(left, right))
    top = np.argmax(calm, axis=1)
    peak = calm[np.arange(n), top]
    level = np.where(np.isfinite(variance), np.sqrt(variance), 0.0)
    pressed = filled > np.maximum(_PRESSED_PART * peak[:, None], _PRESSED_SD * level)
    index = np.arange(cells)
    first = np.where(~pressed & (index < top[:, None]), index, -1).max(axis=1) + 1
    last = np.where(~pressed & (index > top[:, None]), index, cells).min(axis=1) - 1
    return Patch(peak, first, last, pressed, filled)


def start(
    patch: Patch,
    cells: Cells,
    inverse_var: FloatArray,
    prior_mean: FloatArray,
    prior_weight: FloatArray,
    choices: int = 2,
) -> tuple[FloatArray, FloatArray]:
    """First guesses of theta: (choices, 10, n), best first, and their costs (choices, n).

    The parabola comes from least squares on the cells inside the patch. With it held, each pair of
    cells that could hold the two ends of the sole is priced, prior included.

    Parameters
    ----------
    patch : Patch
        From `find_patch`.
    cells : Cells
        Where the cells are.
    inverse_var : (n, cells)
        One over the variance of the values.
    prior_mean, prior_weight : (10, n)
        Of the fit; log h, c and L are used.
    choices : int
        How many guesses, at least a cell apart in c.
    """
    amp, v, h = _parabola(patch, cells)
    half = np.exp(prior_mean[LOG_H])
    h = np.clip(h, 0.2 * half, 4 * half)
    theta = prior_mean.copy()
    theta[LOG_A], theta[V], theta[LOG_H] = np.log(amp), v, np.log(h)
    return choose_ends(patch.filled, cells, inverse_var, prior_mean, prior_weight, theta, choices)


def choose_ends(
    y: FloatArray,
    cells: Cells,
    inverse_var: FloatArray,
    prior_mean: FloatArray,
    prior_weight: FloatArray,
    held: FloatArray,
    choices: int,
) -> tuple[FloatArray, FloatArray]:
    """Cheapest places of the sole's ends with the rest of theta held, (10, n).

    Returns theta (choices, 10, n) and costs (choices, n), as `start` does.
    """
    n = held.shape[1]
    if n > _BLOCK:
        parts = []
        for begin in range(0, n, _BLOCK):
            part = slice(begin, begin + _BLOCK)
            mean_part, weight_part, held_part = (
                each[:, part] for each in (prior_mean, prior_weight, held)
            )
            parts.append(
                choose_ends(
                    y[part], cells, inverse_var[part], mean_part, weight_part, held_part, choices
                )
            )
        return (
            np.concatenate([p[0] for p in parts], axis=2),
            np.concatenate([p[1] for p in parts], axis=1),
        )
    c, length, cost, printed = _ends(y, cells, inverse_var, prior_mean, prior_weight, held)
    theta = np.repeat(held[None], choices, axis=0)
    rows = np.arange(n)
    best = np.empty((choices, n), cost.dtype)
    for k in range(choices):
        pick = np.argmin(cost, axis=1)
        best[k] = cost[rows, pick]
        theta[k, C] = c[rows, pick]
        theta[k, L] = length[rows, pick]
        if k < choices - 1:
            alike = np.abs(c - c[rows, pick][:, None]) < cells.pitch_mm
            # Where no end prints one place is as good as another.
            alike |= ~(printed | printed[rows, pick][:, None])
            cost[alike] = np.inf
    return theta, best


def _parabola(patch: Patch, cells: Cells) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Amplitude, vertex and half-width of the parabola through the inner cells of the patch."""
    n = len(patch.peak)
    index = np.arange(len(cells.left))
    low, high = cells.left[patch.first], cells.right[patch.last]
    inset = (patch.width_cells >= 5).astype(np.intp)
    inside = (index >= (patch.first + inset)[:, None]) & (index <= (patch.last - inset)[:, None])
    middle, reach = (low + high) / 2, (high - low) / 2
    s = (cells.middle - middle[:, None]) / reach[:, None]
    powers = np.empty((n, 3, len(index)))
    powers[:, 0] = inside
    np.multiply(powers[:, 0], s, out=powers[:, 1])
    np.multiply(powers[:, 1], s, out=powers[:, 2])
    normal = powers @ powers.transpose(0, 2, 1) + 1e-9 * np.eye(3)
    right = (powers @ patch.filled[:, :, None])[:, :, 0]
    solution = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    alpha, beta, gamma = solution[:, 0], solution[:, 1], solution[:, 2]
    peak = np.maximum(patch.peak, 1e-9)
    # At its flattest the parabola loses a tenth of its height over the patch.
    gamma = np.minimum(gamma, -0.1 * peak)
    v = np.clip(-beta / (2 * gamma), -1.5, 1.5)
    amp = np.maximum(alpha + beta * v + gamma * v**2, 0.5 * peak)
    h = np.clip(np.sqrt(amp / -gamma), 0.3, 4.0)
    return amp, middle + reach * v, reach * h


def _ends(
    y: FloatArray,
    cells: Cells,
    inverse_var: FloatArray,
    prior_mean: FloatArray,
    prior_weight: FloatArray,
    held: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
    """Centre, length, cost of each pair of cells for the sole's ends, and if one of these prints.

    All (n, pairs). Costs within the strip are differences of running sums; cells beyond the strip
    cost nothing.
    """
    amp, v, h, shape = (
        single(each)[:, None]
        for each in (np.exp(held[LOG_A]), held[V], np.exp(held[LOG_H]), held[SHAPE])
    )
    n, count = y.shape
    # Sharp ends: half of what is ground off does not print.
    heel_inset, toe_inset = (ground_off(held[k])[0] / 2 for k in (HEEL, TOE))
    length = prior_mean[L] - heel_inset - toe_inset
    lean = (heel_inset - toe_inset) / 2
    inset_var = 0.25 / prior_weight[HEEL] + 0.25 / prior_weight[TOE]
    weight_l = 1 / (1 / prior_weight[L] + inset_var)
    weight_c = 1 / (1 / prior_weight[C] + inset_var / 4)
    expected = prior_mean[C] + lean
    steps = length / cells.pitch_mm
    shortest, longest = np.floor(steps - 1.0), np.ceil(steps + 1.0)
    fewest, most = int(shortest.min()), int(longest.max())
    pad = most // 2 + 1
    z = (single(cells.middle) - v) / h
    full = np.maximum(1 - z * z, 0.0)
    full = amp * (full + shape * (np.sqrt(full) - full))
    scale = np.sqrt(single(inverse_var))
    y = single(y)
    idle = _price(y * scale)
    pressed = _price((y - full) * scale)
    part = np.where(full > 0, np.clip(y / np.maximum(full, 1e-9), 0.0, 1.0), 0.5)
    edge = _price((y - part * full) * scale)
    size = count + 2 * pad
    on = slice(pad, pad + count)
    run = np.zeros((n, size + 1), np.float32)
    np.cumsum(pressed - idle, axis=1, out=run[:, pad + 1 : pad + count + 1])
    run[:, pad + count + 1 :] = run[:, pad + count][:, None]
    own, prints = np.zeros((2, n, size), np.float32)
    np.subtract(edge, idle, out=own[:, on])
    # Half for each end.
    np.multiply(full > 0.03 * amp, 0.5, out=prints[:, on])
    share = np.full((n, size), 0.5, np.float32)
    share[:, on] = part
    left = single(cells.left[0] + cells.pitch_mm * (np.arange(size) - pad))
    share *= cells.width_mm
    heel = left + cells.pitch_mm - share
    toe = left + share
    # Heel in one cell, toe some cells on: (n, heels, how far on).
    heels, spans = size - most, most - fewest + 1

    def toes(of: FloatArray) -> FloatArray:
        row, one = of.strides
        return as_strided(of[:, fewest:], (n, heels, spans), (row, one, one), writeable=False)

    def each(value: FloatArray) -> FloatArray:
        return single(value)[:, None, None]

    heel, first_prints = heel[:, :heels, None], prints[:, :heels, None]
    apart = toes(toe) - heel
    apart -= each(length)
    # The place of an end where nothing presses is anywhere in its cell: the other end and the
    # sole's length say where. So half of ``apart`` goes to either, or all or nothing of it.
    last_prints = toes(prints)
    c = last_prints - first_prints
    c += 0.5
    c *= apart
    c += heel + each(length / 2)
    cost = c - each(expected)
    cost *= cost
    cost *= each(weight_c)
    cost += toes(run)
    cost += toes(own)
    cost += own[:, :heels, None] - run[:, 1 : heels + 1, None]
    printed = (first_prints + last_prints) > 0
    off = apart
    off *= 4 * (first_prints * last_prints)
    length_there = off + each(prior_mean[L])
    off *= off
    off *= each(weight_l)
    cost += off
    # Lengths that only others in the batch may have.
    span = np.arange(fewest, most + 1)
    foreign = (span < shortest[:, None]) | (span > longest[:, None])
    if foreign.any():
        cost += np.where(foreign, np.inf, 0.0).astype(np.float32)[:, None]
    c -= each(lean)
    shape_2d = (n, heels * spans)
    return (
        c.reshape(shape_2d),
        length_there.reshape(shape_2d),
        cost.reshape(shape_2d),
        printed.reshape(shape_2d),
    )


def _price(standardised: FloatArray) -> FloatArray:
    """Cost of a residual: squared up to two standard deviations, then ever less steep."""
    price = standardised * standardised
    price *= 1 / 6.0
    price += 1.0
    np.log(price, out=price)
    price *= 6.0
    return price
