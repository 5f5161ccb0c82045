"""What cannot be meant on the command line or in a file of bays."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logger.errors import UsageError

if TYPE_CHECKING:
    from logger.store.rows import SessionRow


def check_lengths(**lengths_mm: float | None) -> None:
    """Refuse lengths that nobody can mean, named as the options; ``_u`` is an uncertainty."""
    for name, value in lengths_mm.items():
        if value is not None and not -200 < value < 200:
            raise UsageError(f"--{name.replace('_', '-')} {value:g}: give millimetres within 200")
        if value is not None and name.endswith("u") and not value >= 0:
            raise UsageError(f"--{name.replace('_', '-')} {value:g}: an uncertainty is 0 or more")


def check_agreed(
    session: SessionRow, *, stance: float | None, sole_middle: float | None, left: bool
) -> None:
    """Refuse what was asked for if the session that goes on was begun with something else."""
    for name, given, agreed in (
        ("--stance", stance, session.stance_mm),
        ("--sole-middle", sole_middle, session.sole_middle_mm),
    ):
        if given is not None and given != agreed:
            raise UsageError(
                f"{name} {given:g}: session {session.id} goes on, and it began with {agreed:g}; "
                "leave it out, or begin another session with --new"
            )
    if left and session.hand != "left":
        raise UsageError(
            f"--left: session {session.id} goes on, and it began right-handed; "
            "leave it out, or begin another session with --new"
        )
