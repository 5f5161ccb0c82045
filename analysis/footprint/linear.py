"""Many small symmetric systems at once, matrices first: (size, size, n).

LAPACK called once per 10 by 10 system costs several times as much as the same sums written out over
the whole stack.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import FloatArray

# In place of a pivot that is not positive: the least that single precision keeps its digits with.
_TINY = 1e-37


def single(array: FloatArray) -> FloatArray:
    """Return the array in single precision, in which a search takes half the time."""
    cast: FloatArray = np.asarray(array, dtype=np.dtype("f4"))
    return cast


def pick(array: FloatArray, rows: NDArray[np.intp]) -> FloatArray:
    """Pick strikes, which come last, and lay them out as they were.

    ``array[..., rows]`` would lay them out strikes first: whatever is done with it along the
    strikes then takes several times as long.
    """
    return array.take(rows, axis=-1)


def diagonal(matrix: FloatArray) -> FloatArray:
    """View of the diagonal of a stack (size, size or more, n): (size, n)."""
    size, wide, n = matrix.shape
    return matrix.reshape(size * wide, n)[:: wide + 1]


class Elimination:
    """Gaussian elimination of n positive definite systems, the right sides along with it.

    Parameters
    ----------
    normal : (size, size, n)
        Symmetric.
    right : (size, n)
        Right sides.
    damping : (n,) or None
        The diagonal is multiplied by one plus this.
    """

    def __init__(
        self, normal: FloatArray, right: FloatArray, damping: FloatArray | None = None
    ) -> None:
        size = len(right)
        work = np.empty((size, size + 1, right.shape[1]), normal.dtype)
        work[:, :size] = normal
        work[:, size] = right
        pivot = diagonal(work)
        if damping is not None:
            pivot *= 1 + damping
        for k in range(size - 1):
            row = work[k, k + 1 :]
            below = row[:-1] / work[k, k]
            work[k + 1 :, k + 1 :] -= below[:, None] * row
        self._work = work
        self._pivot = np.maximum(pivot, _TINY)

    def solve(self) -> FloatArray:
        """Solutions, (size, n)."""
        x = self._work[:, -1].copy()
        for i in range(len(x) - 1, -1, -1):
            x[i] /= self._pivot[i]
            x[:i] -= self._work[:i, i] * x[i]
        return np.asarray(x)

    @property
    def quadratic(self) -> FloatArray:
        """Right side times solution, (n,)."""
        right = self._work[:, -1]
        return np.asarray((right * right / self._pivot).sum(axis=0))

    @property
    def log_det(self) -> FloatArray:
        """Natural logarithm of the determinants, (n,)."""
        return np.asarray(np.log(self._pivot).sum(axis=0))

    @property
    def last_variance(self) -> FloatArray:
        """Last diagonal element of the inverse, (n,)."""
        return np.asarray(1 / self._pivot[-1])


def sweep(matrix: FloatArray, columns: range) -> None:
    """Turn the symmetric ``matrix`` (size, size, n), in place, by the pivots ``columns``.

    Afterwards the part of these is minus its inverse, and that of the others its Schur complement;
    once all are done, what is there is minus the inverse of the whole (Beaton, 1964; Goodnight, Am.
    Stat. 33, 1979, 149-158).
    """
    for k in columns:
        row = matrix[k] / np.maximum(matrix[k, k], _TINY)
        pivot = matrix[k, k].copy()
        matrix -= matrix[k][:, None] * row
        matrix[k] = matrix[:, k] = row
        matrix[k, k] = -1 / np.maximum(pivot, _TINY)
