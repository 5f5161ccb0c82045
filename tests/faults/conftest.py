"""The harness of the benchmark, for brief runs of it."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def faults():
    """Real processes, and the books on what they stored."""
    path = Path(__file__).parents[1] / "benchmarks" / "faults.py"
    spec = importlib.util.spec_from_file_location("benchmark_faults", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module
