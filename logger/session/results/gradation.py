"""How a set grades: measured specs, overlays, and what the swings ask for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from analysis.answers import NoAnswerError
from analysis.conventions import USUAL_LENGTH_MM
from analysis.gradation.as_delivered import DeliveredGradation, delivered_gradation
from analysis.gradation.network import LieNetwork, MeasuredLie, adjust, worst_reading_removed
from analysis.gradation.overlay import LieStep, overlay_step
from analysis.gradation.steps import gradation
from analysis.gradation.types import Gradation, StaticClub
from analysis.lie.club import LieError
from logger.store.rows import ClubRow, SetRow
from logger.store.store import Store

# So many readings that contradict the others are left out at most; after that it is for a person
# to look at all of them.
_MOST_LEFT_OUT = 3


@dataclass(frozen=True, slots=True)
class StaticLies:
    """What gauge and overlays say together."""

    network: LieNetwork
    """Of all readings that agree."""
    contradictions: tuple[str, ...]
    """Readings that do not, one sentence each."""

    def lie_deg(self, label: str) -> tuple[float, float] | None:
        """Lie of a club with its standard uncertainty; None where no gauge reading reaches it."""
        place = self.network.labels.index(label)
        lie = float(self.network.lie_deg[place])
        # NaN: overlays alone give steps and no lies.
        return None if lie != lie else (lie, float(self.network.u_deg[place]))

    def steps(self, along: Sequence[str]) -> list[LieStep]:
        """Return the steps between neighbours, as far as anything read connects them."""
        found = []
        for first, second in pairwise(along):
            try:
                step, u = self.network.step_deg(first, second)
            except NoAnswerError:
                continue
            found.append(LieStep(first, second, step, u))
        return found


def static_lies(store: Store, set_id: int, clubs: Sequence[ClubRow]) -> StaticLies | None:
    """Bring overlays and measured lies of a set together; None without an overlay.

    A reading that clearly contradicts the others is left out and named. Where it cannot be told
    which of several it is, all are kept and named.
    """
    steps: Sequence[LieStep] = overlay_steps(store, set_id, clubs)
    if not steps:
        return None
    lies: Sequence[MeasuredLie] = measured_lies(clubs)
    labels = [club.label for club in clubs]
    network = adjust(steps, lies, labels=labels)
    said: list[str] = []
    for _ in range(_MOST_LEFT_OUT):
        suspects = [reading for reading in network.readings if reading.is_suspect]
        if not suspects:
            break
        # The finding that names them comes first.
        said.append(network.findings[0])
        if len(suspects) > 1:
            break
        steps, lies = worst_reading_removed(steps, lies, network)
        said[-1] += " (left out here)"
        if not steps and not lies:
            return None
        network = adjust(steps, lies, labels=labels)
    return StaticLies(network, tuple(said))


def measured_lies(clubs: Sequence[ClubRow]) -> list[MeasuredLie]:
    """Lies as read on a gauge."""
    return [
        MeasuredLie(club.label, club.spec.lie_deg)
        for club in clubs
        if club.spec.lie_deg is not None
    ]


def overlay_steps(store: Store, set_id: int, clubs: Sequence[ClubRow]) -> list[LieStep]:
    """Return the steps that overlays of these clubs show, the earliest first."""
    by_id = {club.id: club for club in clubs}
    steps: list[LieStep] = []
    for row in store.readings.overlays(set_id):
        first, second = by_id.get(row.first_club), by_id.get(row.second_club)
        if first is not None and second is not None:
            steps.append(step_of(first, second, row.offset_mm, row.u_mm))
    return steps


def step_of(first: ClubRow, second: ClubRow, offset_mm: float, u_mm: float) -> LieStep:
    """Return the lie step that an overlay shows.

    Raises
    ------
    NoAnswerError
        If a number cannot be; the message is one line.
    """
    try:
        return overlay_step(
            first.label,
            second.label,
            offset_mm,
            first_length_mm=first.spec.length_mm or USUAL_LENGTH_MM,
            second_length_mm=second.spec.length_mm or USUAL_LENGTH_MM,
            u_offset_mm=u_mm,
        )
    except ValueError as error:
        raise NoAnswerError(str(error)) from error


@dataclass(frozen=True, slots=True)
class Grading:
    """All that is known of how a set grades."""

    static: Gradation
    network: LieNetwork | None
    """None without overlays: there is nothing to bring together then."""
    delivered: DeliveredGradation | None
    """None without a session."""


def grade_set(store: Store, own: SetRow, lies: Mapping[str, LieError] | None) -> Grading:
    """Grade a set; with overlays the lies that agree best with all readings are graded.

    ``lies`` are the lie errors of a session by label, as `logger.session.results.clubs` has them.
    """
    steps = overlay_steps(store, own.id, own.clubs)
    network = None
    if steps:
        labels = [club.label for club in own.clubs]
        network = adjust(steps, measured_lies(own.clubs), labels=labels)
    clubs = [_static(club, network) for club in own.clubs]
    delivered = None
    if lies is not None:
        delivered = delivered_gradation(clubs, lies)
    return Grading(gradation(clubs), network, delivered)


def _static(club: ClubRow, network: LieNetwork | None) -> StaticClub:
    spec = club.spec
    lie, u_lie = spec.lie_deg, None
    if network is not None:
        place = network.labels.index(club.label)
        adjusted = float(network.lie_deg[place])
        # NaN where no gauge reading reaches the club: overlays alone give steps and no lies.
        if adjusted == adjusted:
            lie, u_lie = adjusted, float(network.u_deg[place])
    return StaticClub(club.label, spec.length_mm, lie, spec.loft_deg, u_lie)
