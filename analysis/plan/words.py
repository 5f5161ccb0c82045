"""The story of one row of the bend sheet, in plain sentences."""

from __future__ import annotations

from analysis.plan.rows import way
from analysis.plan.types import PlanRow, Reason, SetPlan

# Less than this aside at carry is not worth a sentence.
_LEAST_M = 0.2


def why(plan: SetPlan, label: str) -> str:
    """Tell what was found of a club, what the sheet does with it, what follows, and what decided.

    Raises
    ------
    KeyError
        No club of that label.
    """
    row = plan.row(label)
    rules = plan.rules
    said = [f"{label}: {row.why}."]
    if row.wanted_deg:
        said.append(f"Wanted is {abs(row.wanted_deg):.2f}° too {way(row.wanted_deg)}.")
    if row.aside_before_m is not None and abs(row.aside_before_m) >= _LEAST_M:
        said.append(f"As delivered it sends the ball about {_side(row.aside_before_m)}.")
    if row.bend_deg:
        said.append(_does(row, plan))
        if len(row.pulls_deg) > 1:
            pulls = ", then ".join(f"{abs(pull):g}°" for pull in row.pulls_deg)
            said.append(f"Bend {pulls}, measuring lie and loft after each.")
    for step in row.steps:
        if abs(step.after_deg - step.before_deg) > 1e-9:
            said.append(
                f"The step to {step.to} goes from {step.before_deg:+.2f}° to "
                f"{step.after_deg:+.2f}°{_doubt(step.u_deg)}."
            )
    if row.reason is Reason.EVIDENCE:
        said.append(
            f"A bend needs {100 * rules.p_needed:.0f} % to bring the club nearer and at most "
            f"{100 * rules.p_worse:g} % to make it worse by over {rules.worse_deg:g}°: more swings "
            "or, where the level is in doubt, a few marks would tell."
        )
    if row.reason is Reason.HEAD:
        said.append("The limit is a rule of thumb; the maker's and a technician's come first.")
    if row.reason in (Reason.WISH, Reason.LOCKED):
        said.append("This is the fitter's decision, not the evidence's.")
    if row.loft_words:
        said.append(f"Loft: {row.loft_words}. The carry changes with it.")
    return " ".join(said)


def _doubt(u_deg: float | None) -> str:
    return "" if u_deg is None else f" ± {1.645 * u_deg:.2f}°, overlays counted"


def _side(metres: float) -> str:
    return f"{abs(metres):.1f} m {'right' if metres > 0 else 'left'} of the target"


def _does(row: PlanRow, plan: SetPlan) -> str:
    text = (
        f"Bend {abs(row.bend_deg):g}° {way(row.bend_deg)}: the lie error goes from "
        f"{row.error_before_deg:+.2f}° to {row.error_after_deg:+.2f}° ± "
        f"{1.645 * row.u_after_deg:.2f}°"
    )
    if row.static_after_deg is not None:
        text += f", the static lie from {row.static_before_deg:g}° to {row.static_after_deg:g}°"
    if row.contact_after_mm is not None and row.contact_before_mm is not None:
        text += f", the contact from {row.contact_before_mm:+.1f} to {row.contact_after_mm:+.1f} mm"
    if row.change_m is not None and row.miss_before_m is not None and row.miss_after_m is not None:
        text += f", the expected miss from {row.miss_before_m:.1f} to {row.miss_after_m:.1f} m"
    if row.p_worse is not None:
        text += f"; worse by over {plan.rules.worse_deg:g}° with {100 * row.p_worse:.1f} %"
    return text + "."
