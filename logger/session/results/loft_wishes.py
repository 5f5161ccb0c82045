"""What soles say front to back, as a change of loft that the fitter could ask for."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.answers import NoAnswerError
from analysis.plan.bounce import BounceVerdict, SoleKind, bounce_error, loft_bend
from analysis.plan.heads import head_room_deg
from analysis.plan.types import PlanClub, SetPlan
from logger.session.evidence.evidence import ClubEvidence
from logger.session.evidence.set_view import WEDGE_LOFT_DEG

# A loft that is off by more is the wrong club, not one to bend. Common practice, no source.
_MOST_LOFT_DEG = 2.0


def loft_proposals(
    evidence: Sequence[ClubEvidence], clubs: Sequence[PlanClub], plan: SetPlan
) -> list[str]:
    """Say for which clubs a change of loft would mend the bounce; nothing of it is planned.

    Only where the verdict on the bounce is settled, no change of loft was asked for, and the head
    has it left beside the bend of the sheet.
    """
    said = []
    for one, club, row in zip(evidence, clubs, plan.rows, strict=True):
        if club.loft_change_deg or club.locked:
            continue
        wedge = club.loft_deg is not None and club.loft_deg >= WEDGE_LOFT_DEG
        try:
            read = bounce_error(one.trail, kind=SoleKind.WEDGE if wedge else SoleKind.IRON)
        except NoAnswerError:
            continue
        if read.verdict not in (BounceVerdict.TOO_MUCH, BounceVerdict.TOO_LITTLE):
            continue
        room = math.sqrt(max(head_room_deg(club, plan.rules) ** 2 - row.bend_deg**2, 0.0))
        most = min(room, _MOST_LOFT_DEG, abs(read.bounce_error_deg))
        step = plan.rules.increment_deg
        size = step * math.floor(most / step + 1e-9)
        if size == 0:
            continue
        change = -math.copysign(size, read.bounce_error_deg)
        does = loft_bend(
            change,
            loft_deg=club.loft_deg,
            bounce_deg=club.bounce_deg,
            contact_mm=one.trail.mean_mm or 0.0,
        )
        said.append(
            f"{club.label} shows {read.verdict.value}, {abs(read.bounce_error_deg):.1f}° off its "
            f"middle: {does.words}. The carry changes with it. Ask for it with --loft "
            f"{club.label}={size:g}{'w' if change > 0 else 's'}"
        )
    return said
