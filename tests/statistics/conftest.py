"""Published tables."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="session")
def table() -> Callable[[str], dict[str, np.ndarray]]:
    """Columns of one CSV file of published values."""

    def read(name: str) -> dict[str, np.ndarray]:
        lines = (DATA / name).read_text(encoding="ascii").splitlines()
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
        return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}

    return read
