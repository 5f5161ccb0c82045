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


def ask_stance(whose: str = "") -> float | None:
    """Ask how low the feet stand; None: it was not measured."""
    import typer

    from logger.cli.common import say

    say(
        f"{whose}How many mm lower than the board's surface do the feet stand? Lay a ruler from "
        "the stance mat to the board: 10 mm move every club by more than a degree."
    )
    while True:
        answer = typer.prompt("mm, or Enter if not measured", default="", show_default=False)
        text = str(answer).strip().lower().removesuffix("mm").strip().replace(",", ".")
        if text in ("", "not measured", "no", "n", "?"):
            return None
        try:
            stance = float(text)
            check_lengths(stance=stance)
        except (ValueError, UsageError):
            say(f"{answer!r} is no height in mm within 200: type 0, 8 or -5, or Enter")
        else:
            return stance


def ask_resume() -> bool:
    """Ask whether an open session goes on; False: a new one begins."""
    import typer

    from logger.cli.common import say

    while True:
        answer = typer.prompt("Enter goes on, n begins a new one", default="", show_default=False)
        text = str(answer).strip().lower()
        if text in ("", "y", "yes"):
            return True
        if text in ("n", "no", "new"):
            return False
        say(f"{answer!r} is no answer: press Enter, or n and Enter")


def check_agreed(
    session: SessionRow, *, stance: float | None, sole_middle: float | None, left: bool
) -> None:
    """Refuse what was asked for if the session that goes on was begun with something else."""
    began = f"{session.stance_mm:g}" if session.stance_told else "the stance not measured"
    for name, given, same, agreed in (
        ("--stance", stance, session.stance_told and stance == session.stance_mm, began),
        (
            "--sole-middle",
            sole_middle,
            sole_middle == session.sole_middle_mm,
            f"{session.sole_middle_mm:g}",
        ),
    ):
        if given is not None and not same:
            # What was agreed of feet can be put right.
            other = f", or: lieboard session change {session.id} {name} {given:g}"
            other = other if name == "--stance" else ""
            raise UsageError(
                f"{name} {given:g}: session {session.id} goes on, and it began with {agreed}; "
                f"leave it out, or begin another session with --new{other}"
            )
    if left and session.hand != "left":
        raise UsageError(
            f"--left: session {session.id} goes on, and it began right-handed; "
            "leave it out, or begin another session with --new"
        )
