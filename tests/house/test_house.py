"""The house itself: nothing lives that no command reaches, and nobody imports in a circle."""

from __future__ import annotations

import house
import pytest

from logger.cli.app import COMMANDS


@pytest.fixture(scope="module")
def graph():
    return house.imports(house.modules())


def test_every_module_is_reached_by_a_command(graph):
    roots = {"logger.__main__"} | {f"logger.cli.{entry.module}" for entry in COMMANDS.values()}
    assert sorted(set(graph) - house.reached(graph, roots)) == []


def test_nobody_imports_in_a_circle_not_even_for_types(graph):
    assert house.circle(graph) == []


def test_a_circle_and_a_dead_module_would_be_seen():
    graph = {"a": frozenset({"b"}), "b": frozenset({"c"}), "c": frozenset({"b"})}
    assert house.circle(graph) == ["b", "c", "b"]
    assert house.reached({**graph, "d": frozenset({"a"})}, ["a"]) == {"a", "b", "c"}
