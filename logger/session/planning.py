"""From a session's evidence to the bend sheet."""

from __future__ import annotations

from collections.abc import Sequence

from analysis import correction
from analysis.correction import BendPlan, BendRules, Head, plan_bends
from logger.session.evidence import ClubEvidence
from logger.store.rows import SessionRow
from logger.store.store import Store

_HEADS = {"forged": Head.SOFT_FORGED, "cast": Head.CAST}
_USUAL_INCREMENT_DEG = 0.5


def bend_plan(
    store: Store,
    session: SessionRow,
    evidence: Sequence[ClubEvidence],
    *,
    increment_deg: float | None = None,
    tolerance_deg: float = 0.5,
) -> BendPlan:
    """Plan bends for the clubs of a session.

    ``increment_deg`` is the machine's; left out it is the session's, then half a degree.
    """
    step = increment_deg or session.machine_increment_deg or _USUAL_INCREMENT_DEG
    rules = BendRules(increment_deg=step, tolerance_deg=tolerance_deg)
    return plan_bends([_for_plan(store, one) for one in evidence], rules)


def _for_plan(store: Store, one: ClubEvidence) -> correction.ClubEvidence:
    bends = [
        bend.lie_after_deg - bend.lie_before_deg
        for bend in store.bends(one.club.id)
        if bend.lie_after_deg is not None and bend.lie_before_deg is not None
    ]
    return correction.ClubEvidence(
        label=one.club.label,
        head=_HEADS.get(one.club.spec.head_material or "", Head.HARD_OR_UNKNOWN),
        contact=one.contact,
        lie=one.lie,
        wanted_toe_mm=one.wanted_toe_mm if one.lie is not None and one.wanted_toe_mm else None,
        past_bends_deg=tuple(bends),
    )
