"""Set files taken in again: what would change, row by row, and from when on it is true."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from logger.errors import UsageError
from logger.session.corrections.acts import Said, keep_act
from logger.setfiles.clubs import SPEC_GROUPS, Club, ClubSpec, SetFile
from logger.store.acts import ActPart
from logger.store.rows import ClubRow, PlayerRow
from logger.store.sets import FROM_FILE, merge_specs
from logger.store.store import Store


@dataclass(frozen=True, slots=True)
class ImportRow:
    """One thing that a set file says otherwise than before."""

    club: str
    """Label; empty = the set itself."""
    what: str
    before: str
    """Empty: nothing was known."""
    after: str

    @property
    def is_addition(self) -> bool:
        """Whether it only adds to what is known."""
        return not self.before


@dataclass(frozen=True, slots=True)
class ImportPlan:
    """What taking in a set file would change."""

    read: SetFile
    player: PlayerRow | None
    """The stored player of this name; None: a new one."""
    set_id: int | None
    """The stored set of this name; None: a new one."""
    rows: tuple[ImportRow, ...]
    doubt: str
    """Why this may be another person of the same name; empty if nothing says so."""
    no_material: tuple[str, ...]
    """Labels of clubs whose head's material nobody has said."""


def plan_import(store: Store, read: SetFile) -> ImportPlan:
    """Say what a set file would change of what is stored."""
    player = next(
        (p for p in store.sets.players() if p.name.casefold() == read.player.casefold()), None
    )
    if player is None and store.sets.player_named(read.player) is not None:
        raise UsageError(
            f"a player {read.player} was deleted: bring them back with 'lieboard undo', or give "
            "this one another name with --player"
        )
    sets = [] if player is None else [s for s in store.sets.all() if s.player == player.name]
    own = next((s for s in sets if s.name.casefold() == read.name.casefold()), None)
    rows: list[ImportRow] = []
    known: dict[str, ClubRow] = {}
    if own is not None:
        stored = store.sets.get(own.id)
        known = {club.label.casefold(): club for club in stored.clubs}
        step, said = stored.machine_increment_deg, read.machine_increment_deg
        if said is not None and said != step:
            rows.append(ImportRow("", "machine increment", _shown(step), _shown(said)))
        pivot = next((c.label for c in stored.clubs if c.id == stored.pivot_club), "")
        if pivot.casefold() != read.pivot_label.casefold():
            rows.append(ImportRow("", "pivot", pivot, read.pivot_label))
        for club in read.clubs:
            row = known.get(club.label.casefold())
            if row is None:
                rows.append(ImportRow(club.label, "club", "", "new in the set"))
            else:
                rows += _differences(club, _told_by_file(store, row.id))
        there = {club.label.casefold() for club in read.clubs}
        rows += [
            ImportRow(club.label, "club", "in the set", "left out")
            for club in stored.clubs
            if club.label.casefold() not in there
        ]
    if player is not None and player.hand != read.hand:
        rows.append(ImportRow("", "hand", player.hand, read.hand))
    return ImportPlan(
        read,
        player,
        None if own is None else own.id,
        tuple(rows),
        _doubt(store, read, player, [s.id for s in sets], known),
        tuple(
            club.label
            for club in read.clubs
            if club.spec.head_material is None
            and (
                club.label.casefold() not in known
                or known[club.label.casefold()].spec.head_material is None
            )
        ),
    )


def _doubt(
    store: Store,
    read: SetFile,
    player: PlayerRow | None,
    sets: Sequence[int],
    known: dict[str, ClubRow],
) -> str:
    if player is None or not sets:
        return ""
    labels = {club.label.casefold() for club in read.clubs}
    stored = f"{player.name}, {player.hand}-handed, is stored"
    if player.hand != read.hand:
        return f"{stored}, and this file says {read.hand}-handed"
    if known and not labels & set(known):
        return f"{stored} with a set {read.name} of other clubs: {_labels(known.values())}"
    if not known:
        other = store.sets.get(sets[0])
        return f"{stored} with the set {other.name} ({_labels(other.clubs)}), and this is another"
    return ""


def _labels(clubs: Any) -> str:  # noqa: ANN401
    return " ".join(club.label for club in clubs)


def _told_by_file(store: Store, club: int) -> ClubSpec:
    history = store.clubs.spec_history(club)
    return merge_specs(told for _, source, told in history if source == FROM_FILE)


def _differences(club: Club, told: ClubSpec) -> list[ImportRow]:
    old, new = asdict(told), asdict(club.spec)
    rows = []
    for group in SPEC_GROUPS:
        if _differs(group, old, new):
            before = " ± ".join(_shown(old[name]) for name in group if old[name] is not None)
            after = " ± ".join(_shown(new[name]) for name in group if new[name] is not None)
            rows.append(ImportRow(club.label, group[0].split("_")[0], before, after))
    return rows


def _differs(group: Sequence[str], old: dict[str, Any], new: dict[str, Any]) -> bool:
    return any(new[name] is not None and new[name] != old[name] for name in group)


def _shown(value: object) -> str:
    return "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def import_set(
    store: Store,
    plan: ImportPlan,
    said: Said,
    *,
    correct: bool = False,
    changed_utc_ns: int | None = None,
) -> str:
    """Take in a set file; return what was taken in words.

    Parameters
    ----------
    plan
        Of `plan_import`, just made.
    correct
        What it says otherwise was so from the start, for all sessions with this set.
    changed_utc_ns
        What it says otherwise has been so since this moment. With neither, only what adds to what
        is known is taken, as true from the start.

    Raises
    ------
    UsageError
        Both are given, or the moment lies in the future.
    """
    if correct and changed_utc_ns is not None:
        raise UsageError("a correction is true from the start: give no date with it")
    if (changed_utc_ns or 0) > said.utc_ns:
        raise UsageError("the change lies in the future: check the date; nothing was changed")
    read = plan.read
    whole = correct or changed_utc_ns is not None
    with store.gathering():
        if plan.set_id is None:
            if plan.player is not None:
                read = replace(read, player=plan.player.name)
            store.sets.import_file(read, at_utc_ns=said.utc_ns)
            return f"{read.player}, {read.name}: new"
        parts = _positions(store, plan, whole=whole)
        if whole and plan.player is not None and plan.player.hand != read.hand:
            own = plan.player
            parts.append(ActPart("players", "hand", read.hand, own.hand, player=own.id))
        by_label = {c.label.casefold(): c for c in store.clubs.ever_in(plan.set_id)}
        for club in read.clubs:
            parts += _specs(
                store, by_label[club.label.casefold()].id, club.spec, said,
                correct=correct, changed_utc_ns=changed_utc_ns,
            )  # fmt: skip
        taken = sum(whole or row.is_addition for row in plan.rows)
        if not parts:
            return f"{read.player}, {read.name}: nothing new"
        how = "corrected" if correct else "changed" if whole else "added to"
        words = f"set {read.name} of {read.player} {how}: {taken} " + (
            "entry" if taken == 1 else "entries"
        )
        return keep_act(store, "set", words, parts, said)


def _positions(store: Store, plan: ImportPlan, *, whole: bool) -> list[ActPart]:
    """Let the set have the clubs of the file, in its order; without ``whole`` only more of them."""
    assert plan.set_id is not None
    stored = store.sets.get(plan.set_id)
    labels = [club.label for club in plan.read.clubs]
    if not whole:
        there = {club.label.casefold() for club in stored.clubs}
        more = [label for label in labels if label.casefold() not in there]
        labels = [club.label for club in stored.clubs] + more
    store.clubs.add(plan.set_id, labels)
    places = {label.casefold(): place for place, label in enumerate(labels)}
    parts = [
        ActPart("clubs", "position", places.get(c.label.casefold()), c.position, club=c.id)
        for c in store.clubs.ever_in(plan.set_id)
        if places.get(c.label.casefold()) != c.position
    ]
    step = plan.read.machine_increment_deg
    known = stored.machine_increment_deg
    if step is not None and step != known and (whole or known is None):
        parts.append(ActPart("sets", "machine_increment_deg", step, known, was_set=stored.id))
    if whole:
        pivot = next(
            c.id
            for c in store.clubs.ever_in(plan.set_id)
            if c.label.casefold() == plan.read.pivot_label.casefold()
        )
        if pivot != stored.pivot_club:
            parts.append(
                ActPart(
                    "sets", "pivot_club", was_set=stored.id, to_club=pivot, club=stored.pivot_club
                )
            )
    return parts


def _specs(
    store: Store,
    club: int,
    spec: ClubSpec,
    said: Said,
    *,
    correct: bool,
    changed_utc_ns: int | None,
) -> list[ActPart]:
    history = store.clubs.spec_history(club)
    rows = [(at, told) for at, source, told in history if source == FROM_FILE]
    old, new = asdict(merge_specs(told for _, told in rows)), asdict(spec)
    groups = [group for group in SPEC_GROUPS if _differs(group, old, new)]
    added = [group for group in groups if all(old[name] is None for name in group)]
    taken_at = {at for at, _, _ in history}
    first = min(taken_at, default=said.utc_ns)
    if changed_utc_ns is not None:
        return _put(store, club, _only(new, groups), changed_utc_ns, taken_at)
    parts = _put(store, club, _only(new, added), first, taken_at)
    wrong = [group for group in groups if group not in added] if correct else []
    set_right: set[tuple[str, ...]] = set()
    for at, told in rows:
        values = asdict(told)
        here = [group for group in wrong if any(values[name] is not None for name in group)]
        if not here:
            continue
        for group in here:
            once = group not in set_right
            values |= {name: new[name] if once else None for name in group}
            set_right.add(group)
        parts.append(ActPart("club_specs", value=1, was=0, club=club, at=at))
        parts += _put(store, club, ClubSpec(**values), at, taken_at)
    return parts


def _only(values: dict[str, Any], groups: Sequence[Sequence[str]]) -> ClubSpec:
    return ClubSpec(**{name: values[name] for group in groups for name in group})


def _put(store: Store, club: int, spec: ClubSpec, at: int, taken_at: set[int]) -> list[ActPart]:
    """Keep a row of a club's history at a moment that no other has."""
    if spec == ClubSpec():
        return []
    while at in taken_at or store.clubs.spec_dated(club, at):
        at += 1
    store.clubs.put_spec(club, spec, at_utc_ns=at, source=FROM_FILE)
    return [ActPart("club_specs", value=0, was=1, club=club, at=at)]
