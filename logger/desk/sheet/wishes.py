"""What is asked for at the sheet, as it stands in the address: it can be kept as a bookmark."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlencode

from starlette.datastructures import QueryParams

from logger.errors import UsageError
from logger.session.results.planning import EVERY_CLUB, PlanWishes

MOST_CHOICES = (0.5, 1.0, 1.5, 2.0)
STEPS = (0.25, 0.5, 1.0)


@dataclass(frozen=True)
class SheetWishes:
    """Wishes by club, and for the whole sheet."""

    locked: frozenset[str] = frozenset()
    must: frozenset[str] = frozenset()
    most: Mapping[str, float] | None = None
    step: float | None = None
    into_line: bool = False

    @property
    def any(self) -> bool:
        """Whether anything is asked for."""
        return bool(self.locked or self.must or self.most or self.step or self.into_line)

    @property
    def for_plan(self) -> PlanWishes:
        """The same for the plan."""
        return PlanWishes(
            increment_deg=self.step,
            locked=tuple(self.locked),
            into_line=self.into_line,
            must_bend=dict.fromkeys(self.must),
            most_bend_deg=dict(self.most or {}),
        )

    @property
    def query(self) -> str:
        """The same as the end of an address, with its question mark; empty without wishes."""
        pairs = [("lock", one) for one in sorted(self.locked)]
        pairs += [("must", one) for one in sorted(self.must)]
        pairs += [("most", f"{one}:{value:g}") for one, value in (self.most or {}).items()]
        if self.step is not None:
            pairs.append(("step", f"{self.step:g}"))
        if self.into_line:
            pairs.append(("line", "1"))
        return f"?{urlencode(pairs)}" if pairs else ""

    def most_of(self, label: str) -> float | None:
        """How far a club may end from its present lie."""
        return (self.most or {}).get(label)


def wishes_from(query: QueryParams) -> SheetWishes:
    """Read wishes out of an address.

    Raises
    ------
    UsageError
        A number in it is none.
    """
    most: dict[str, float] = {}
    for text in query.getlist("most"):
        label, _, number = text.rpartition(":")
        if number:
            most[label or EVERY_CLUB] = _degrees(number, 10)
    step = query.get("step") or ""
    return SheetWishes(
        frozenset(one[:80] for one in query.getlist("lock") if one),
        frozenset(one[:80] for one in query.getlist("must") if one),
        most,
        _degrees(step, 4) if step else None,
        query.get("line") == "1",
    )


def _degrees(text: str, most: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 < value <= most:
        raise UsageError(
            f"{text!r} is no number of degrees up to {most:g}: choose one on the sheet"
        )
    return value
