"""Robust means of contacts, each set of values worked out once."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from analysis.statistics.contact_mean import Axis, ContactMean, contact_mean


class MeanOf:
    """`analysis.statistics.contact_mean.contact_mean`, remembering what it was asked before.

    A session is worked out again after every strike, and all clubs but one are as they were.
    """

    def __init__(self, confidence: float) -> None:
        self._confidence = confidence
        self._known: dict[tuple[bytes, Axis], ContactMean] = {}

    def __call__(self, values_mm: Iterable[float], axis: Axis = Axis.HEEL_TOE) -> ContactMean:
        """Mean contact of the values, in the order they were struck."""
        values = np.array(list(values_mm), dtype=np.float64)
        key = (values.tobytes(), axis)
        if key not in self._known:
            self._known[key] = contact_mean(values, axis=axis, confidence=self._confidence)
        return self._known[key]
