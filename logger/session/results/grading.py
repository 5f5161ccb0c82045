"""How a set grades: measured specs, overlays, and what the swings ask for."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.gradation.as_delivered import DeliveredGradation, delivered_gradation
from analysis.gradation.network import LieNetwork, adjust
from analysis.gradation.steps import gradation
from analysis.gradation.types import Gradation, StaticClub
from logger.session.evidence.evidence import ClubEvidence
from logger.session.results.static_lies import measured_lies, overlay_steps
from logger.store.rows import ClubRow, SetRow
from logger.store.store import Store


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
    steps = overlay_steps(store, own.id, own.clubs)
    network = None
    if steps:
        labels = [club.label for club in own.clubs]
        network = adjust(steps, measured_lies(own.clubs), labels=labels)
    clubs = [_static(club, network) for club in own.clubs]
    delivered = None
    if evidence is not None:
        lie_errors = {one.club.label: one.lie for one in evidence if one.lie is not None}
        delivered = delivered_gradation(clubs, lie_errors)
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
