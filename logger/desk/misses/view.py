"""Usual misses: counts of a range session typed by club, and the bias that they could ask for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from starlette.responses import Response
from starlette.routing import Route

from logger.desk.shell.desk import Ask, Desk, view
from logger.errors import UsageError
from logger.session.corrections.acts import Said
from logger.session.corrections.words import keep_bias, keep_misses
from logger.session.logging.fitting import club_of
from logger.session.results.misses import Wish, proposed_bias
from logger.store.rows import SetRow
from logger.store.store import Store

_SIDES = ("left", "straight", "right")
_MOST = 10_000


@dataclass(frozen=True, slots=True)
class Counted:
    """All shots with one club that were counted."""

    label: str
    left: int
    straight: int
    right: int

    @property
    def all(self) -> int:
        """How many there are."""
        return self.left + self.straight + self.right


def counted(store: Store, own: SetRow) -> list[Counted]:
    """Add up what was counted of each club of a set."""
    found = []
    rows = store.readings.misses(own.id)
    for club in own.clubs:
        mine = [row for row in rows if row.club == club.id]
        found.append(
            Counted(
                club.label,
                sum(row.left_count for row in mine),
                sum(row.straight_count for row in mine),
                sum(row.right_count for row in mine),
            )
        )
    return found


def misses_routes(desk: Desk) -> list[Route]:
    """Return the routes of the view."""

    async def misses(ask: Ask, status: int = 200, trouble: str = "") -> Response:
        def look(store: Store) -> dict[str, Any]:
            own = store.sets.get(ask.number())
            known = counted(store, own)
            wish: Wish | None = None
            if any(one.all for one in known):
                wish = proposed_bias(store, own.id)
            return {"own": own, "counted": known, "wish": wish}

        found = await ask.house.read(look)
        return ask.page(
            "misses/misses.html",
            status,
            trouble=trouble,
            form=ask.form,
            sides=_SIDES,
            fresh=bool(trouble or ask.query.get("kept")),
            **found,
        )

    async def count(ask: Ask) -> Response:
        number = ask.number()
        own = await ask.house.read(lambda store: store.sets.get(number))
        try:
            typed = [
                (club.label, counts)
                for at, club in enumerate(own.clubs)
                if (counts := _counts(ask, at, club.label)) is not None
            ]
            if not typed:
                raise UsageError("nothing was typed: say how many went where, club by club")
        except UsageError as error:
            return await misses(ask, 400, str(error))

        keys: list[str] = []

        def work(store: Store, said: Said) -> str:
            words = []
            for place, (label, counts) in enumerate(typed):
                # Words are told apart by their moments.
                at = Said(said.utc_ns + place, said.place)
                words.append(keep_misses(store, own, club_of(own, label), counts, at))
                last = store.acts.last()
                assert last is not None
                keys.append(last.act_key)
            return words[0] if len(words) == 1 else f"misses of {len(words)} clubs kept"

        words = await ask.house.act(work)
        ask.house.note_several(words, keys)
        return ask.to(f"/sets/{number}/misses?kept=1")

    async def aim(ask: Ask) -> Response:
        number = ask.number()

        def work(store: Store, said: Said) -> str:
            wish = proposed_bias(store, number)
            if not wish.proposal.is_proposed:
                raise UsageError("the misses ask for nothing: count more shots first")
            clubs = keep_bias(store, wish, said)
            return f"wanted: against the usual miss, {clubs} clubs"

        await ask.house.act(work)
        return ask.to(f"/sets/{number}/misses")

    place = "/sets/{number:int}/misses"
    return [*view(desk, place, misses, count), *view(desk, f"{place}/aim", None, aim)]


def _counts(ask: Ask, at: int, label: str) -> tuple[int, int, int] | None:
    """Read what was typed of one club; None: nothing."""
    texts = [ask.form[f"{at}.{side}"].strip() for side in _SIDES]
    if not any(texts):
        return None
    found = []
    for side, text in zip(_SIDES, texts, strict=True):
        plain = text or "0"
        if not (plain.isascii() and plain.isdecimal() and int(plain[:6]) <= _MOST):
            raise UsageError(f"{label}, {side}: {text[:20]} is no count up to {_MOST}")
        found.append(int(plain))
    return found[0], found[1], found[2]
