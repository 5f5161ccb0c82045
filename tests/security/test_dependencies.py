"""What is installed with the product: each has a lowest version that was tried, and is imported."""

import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
GROUPS = {"": PROJECT["dependencies"], **PROJECT["optional-dependencies"]}


@pytest.mark.parametrize("group", GROUPS)
def test_each_has_a_lowest_version(group):
    # PEP 440: a version specifier; PEP 508: the line as a whole.
    bounded = re.compile(r"[A-Za-z0-9._-]+(\[[a-z0-9,_-]+\])?>=\d+(\.\d+)*(,<\d+(\.\d+)*)?")
    assert [line for line in GROUPS[group] if not bounded.fullmatch(line)] == []


def test_none_is_named_twice_with_two_bounds():
    bounds = {}
    for lines in GROUPS.values():
        for line in lines:
            name, _, rest = line.partition(">=")
            bounds.setdefault(name.partition("[")[0].lower(), set()).add(rest)
    assert {name: found for name, found in bounds.items() if len(found) > 1} == {}


def test_the_audit_is_written_down():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert "pip-audit" in text
