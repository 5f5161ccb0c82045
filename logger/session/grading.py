"""How a set grades: measured specs, overlays, and what the swings ask for."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.answers import NoAnswerError
from analysis.delivered import DeliveredGradation, delivered_gradation
from analysis.gradation import gradation
from analysis.gradation_types import Gradation, StaticClub
from analysis.lie_network import LieNetwork, MeasuredLie, adjust
from analysis.overlay import LieStep, overlay_step
from logger.session.evidence import ClubEvidence
from logger.store.rows import ClubRow, SetRow
from logger.store.store import Store

_USUAL_LENGTH_MM = 940.0


@dataclass(frozen=True, slots=True)
class Grading:
    """All that is known of how a set grades."""

    static: Gradation
    network: LieNetwork | None
    """None without overlays: there is nothing to bring together then."""
    delivered: DeliveredGradation | None
    """None without a session."""


def grade_set(store: Store, own: SetRow, evidence: list[ClubEvidence] | None) -> Grading:
    """Grade a set; with overlays the lies that agree best with all readings are graded."""
    steps = _steps(store, own)
    network = None
    if steps:
        lies = [
            MeasuredLie(club.label, club.spec.lie_deg)
            for club in own.clubs
            if club.spec.lie_deg is not None
        ]
        network = adjust(steps, lies, labels=[club.label for club in own.clubs])
    clubs = [_static(club, network) for club in own.clubs]
    delivered = None
    if evidence is not None:
        lie_errors = {one.club.label: one.lie for one in evidence if one.lie is not None}
        delivered = delivered_gradation(clubs, lie_errors)
    return Grading(gradation(clubs), network, delivered)


def _steps(store: Store, own: SetRow) -> list[LieStep]:
    by_id = {club.id: club for club in own.clubs}
    steps: list[LieStep] = []
    for row in store.overlays(own.id):
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
            first_length_mm=first.spec.length_mm or _USUAL_LENGTH_MM,
            second_length_mm=second.spec.length_mm or _USUAL_LENGTH_MM,
            u_offset_mm=u_mm,
        )
    except ValueError as error:
        raise NoAnswerError(str(error)) from error


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
