"""Many small symmetric systems at once.

LAPACK called once per 5 by 5 system costs several times as much as the same sums written out over
the whole stack; for a few systems it is the other way round.
"""

from __future__ import annotations

import numpy as np

from analysis.conventions import FloatArray


class Cholesky:
    """Factors of n positive definite matrices.

    Parameters
    ----------
    normal : (n, size, size)
        Only the lower triangle is read.
    damping : (n,) or float
        The diagonal is multiplied by one plus this.
    """

    def __init__(self, normal: FloatArray, damping: FloatArray | float = 0.0) -> None:
        self._size = normal.shape[1]
        self._rows: list[list[FloatArray]] = []
        for i in range(self._size):
            row: list[FloatArray] = []
            for j in range(i):
                value = normal[:, i, j]
                for k in range(j):
                    value = value - row[k] * self._rows[j][k]
                row.append(value * self._rows[j][j])
            value = normal[:, i, i] * (1 + damping)
            for k in range(i):
                value = value - row[k] * row[k]
            # One over the pivot: it is only ever divided by.
            row.append(1 / np.sqrt(np.maximum(value, 1e-300)))
            self._rows.append(row)

    def solve(self, right: FloatArray) -> FloatArray:
        """Solution for right sides (n, size)."""
        x: list[FloatArray] = []
        for i in range(self._size):
            value = right[:, i]
            for k in range(i):
                value = value - self._rows[i][k] * x[k]
            x.append(value * self._rows[i][i])
        for i in reversed(range(self._size)):
            value = x[i]
            for k in range(i + 1, self._size):
                value = value - self._rows[k][i] * x[k]
            x[i] = value * self._rows[i][i]
        return np.stack(x, axis=1)

    def inverse(self) -> FloatArray:
        """Inverses, (n, size, size)."""
        n = len(self._rows[0][0])
        columns = []
        for i in range(self._size):
            unit = np.zeros((n, self._size))
            unit[:, i] = 1.0
            columns.append(self.solve(unit))
        return np.stack(columns, axis=2)

    @property
    def log_det(self) -> FloatArray:
        """Natural logarithm of the determinants, (n,)."""
        total = np.zeros_like(self._rows[0][0])
        for i in range(self._size):
            total = total - 2 * np.log(self._rows[i][i])
        return total


# Below this many systems LAPACK and BLAS are called for each.
FEW = 64


def solve_damped(normal: FloatArray, damping: FloatArray, right: FloatArray) -> FloatArray:
    """Solve n systems with diagonals multiplied by ``1 + damping``: (n, size)."""
    if len(right) >= FEW:
        return Cholesky(normal, damping).solve(right)
    damped = normal.copy()
    size = range(right.shape[1])
    damped[:, size, size] *= 1 + damping[:, None]
    return np.asarray(np.linalg.solve(damped, right[:, :, None])[:, :, 0])
