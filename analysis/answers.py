"""What an analysis can say besides a number: a verdict, or why there is no number."""

from __future__ import annotations

from enum import StrEnum


class NoAnswerError(ValueError):
    """The data cannot carry the number that was asked for.

    The message is one line for a person: what is missing and what to do. It is raised instead of
    returning a number that would look like knowledge.
    """


class Verdict(StrEnum):
    """How something stands against its limit."""

    PASS = "PASS"
    LOOK = "LOOK"
    FAIL = "FAIL"
