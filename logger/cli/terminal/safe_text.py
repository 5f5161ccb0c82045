"""Text from elsewhere, made fit for a terminal.

Names of boards on the air, what USB devices call themselves, and whatever a data file holds may
have characters that move the cursor, change what was written or turn its direction. A person is
shown that something is there, and the terminal is told nothing.
"""

from __future__ import annotations

import unicodedata
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

_T = TypeVar("_T")
# Control and format characters (with those that turn the direction of text), halves of surrogate
# pairs, and breaks of lines and paragraphs: Unicode's general categories.
_UNFIT = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
_MARK = "\N{REPLACEMENT CHARACTER}"


def fit(text: str) -> str:
    """Put a mark in place of every character that a terminal would obey instead of show."""
    if text.isprintable():
        return text
    return "".join(
        each if each in "\n\t" or unicodedata.category(each) not in _UNFIT else _MARK
        for each in text
    )


def all_fit(value: _T) -> _T:
    """Return a value in which every text is `fit`: in dataclasses, tuples, lists and tables."""
    return _fitted(value)  # type: ignore[no-any-return]


def _fitted(value: object) -> Any:  # noqa: ANN401
    if isinstance(value, str):
        # An enumeration of texts is ours.
        return fit(value) if type(value) is str else value
    if is_dataclass(value) and not isinstance(value, type):
        return replace(value, **{f.name: _fitted(getattr(value, f.name)) for f in fields(value)})
    if type(value) in (tuple, list):
        assert isinstance(value, tuple | list)
        return type(value)(_fitted(each) for each in value)
    if isinstance(value, dict):
        return {_fitted(key): _fitted(each) for key, each in value.items()}
    return value
