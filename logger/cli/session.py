"""``lieboard session`` and ``lieboard player``: what is wrong with a session, put right."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.common import MOST_ROWS, DbOption, open_store, said_here, say

if TYPE_CHECKING:
    from collections.abc import Callable

    from logger.session.corrections.acts import Said
    from logger.store.store import Store

app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="Change, join, split or delete sessions."
)
player_app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="Rename or delete a player."
)
_Number = Annotated[int, typer.Argument(min=1, max=MOST_ROWS, help="Number of the session.")]


@app.command("change")
def change(
    session: _Number,
    player: Annotated[str | None, typer.Option(help="Whose session it was.")] = None,
    set_name: Annotated[str | None, typer.Option("--set", help="Which set it was.")] = None,
    stance: Annotated[
        str | None,
        typer.Option(help="How much lower the feet stood than the board, mm; or unknown."),
    ] = None,
    stance_u: Annotated[
        float | None, typer.Option(help="How well that is known, mm (one sigma).")
    ] = None,
    hand: Annotated[str | None, typer.Option(help="right or left.")] = None,
    ball: Annotated[bool | None, typer.Option("--ball/--no-ball", help="Hit a ball?")] = None,
    surface: Annotated[str | None, typer.Option(help="What the board lay on.")] = None,
    note: Annotated[str | None, typer.Option(help="A remark on the session.")] = None,
    db: DbOption = None,
) -> None:
    """Change what was agreed at the start of a session.

    Example: lieboard session change 3 --stance 12
    """
    from logger.errors import UsageError
    from logger.session.corrections.sessions import SessionWishes, change_session
    from logger.session.logging.opening import which_set

    stance_mm, unknown = None, False
    if stance is not None:
        unknown = stance.strip().casefold() in ("unknown", "?")
        try:
            stance_mm = None if unknown else float(stance.replace(",", "."))
        except ValueError:
            raise UsageError(f"--stance {stance}: write mm, such as 12, or unknown") from None
    if hand is not None and hand not in ("right", "left"):
        raise UsageError(f"--hand {hand}: right or left")
    with open_store(db) as store:
        set_id = None
        if player is not None or set_name is not None:
            owner = player or store.sets.get(store.sessions.get(session).set).player.name
            set_id = which_set(store, owner, set_name)
        wishes = SessionWishes(
            set_id, hand, stance_mm, stance_u, unknown, ball, surface, note,  # type: ignore[arg-type]
        )  # fmt: skip
        say(f"{change_session(store, session, wishes, said_here())}. Back: lieboard undo")


def _do(db: DbOption, act: Callable[[Store, Said], str]) -> None:
    with open_store(db) as store:
        say(f"{act(store, said_here())}. Back: lieboard undo")


@app.command("end")
def end(session: _Number, db: DbOption = None) -> None:
    """End a session that was left open.

    Example: lieboard session end 3
    """
    from logger.session.corrections.sessions import end_session

    _do(db, lambda store, said: end_session(store, session, said))


@app.command("reopen")
def reopen(session: _Number, db: DbOption = None) -> None:
    """Open a session again.

    Example: lieboard session reopen 3
    """
    from logger.session.corrections.sessions import reopen_session

    _do(db, lambda store, said: reopen_session(store, session, said))


@app.command("join")
def join(
    session: _Number,
    other: Annotated[int, typer.Argument(min=1, max=MOST_ROWS, help="The one that goes into it.")],
    db: DbOption = None,
) -> None:
    """Take all strikes of another session into one.

    Example: lieboard session join 3 4
    """
    from logger.session.corrections.sessions import join_sessions

    _do(db, lambda store, said: join_sessions(store, session, other, said))


@app.command("split")
def split(
    session: _Number,
    strike: Annotated[int, typer.Argument(min=1, help="Strike that begins the new session.")],
    db: DbOption = None,
) -> None:
    """Let a new session begin with one of the strikes.

    Example: lieboard session split 3 24
    """
    from logger.session.corrections.sessions import split_session

    _do(db, lambda store, said: split_session(store, session, strike, said))


@app.command("delete")
def delete(session: _Number, db: DbOption = None) -> None:
    """Let a session count no more; it stays in the data file.

    Example: lieboard session delete 3
    """
    from logger.session.corrections.sessions import delete_session

    _do(db, lambda store, said: delete_session(store, session, said))


@app.command("restore")
def restore(session: _Number, db: DbOption = None) -> None:
    """Bring a deleted session back.

    Example: lieboard session restore 3
    """
    from logger.session.corrections.sessions import restore_session

    _do(db, lambda store, said: restore_session(store, session, said))


@player_app.command("rename")
def rename(
    name: Annotated[str, typer.Argument(help="Name of now.")],
    new: Annotated[str, typer.Argument(help="New name.")],
    db: DbOption = None,
) -> None:
    """Give a player another name.

    Example: lieboard player rename "Robin Ashdwn" "Robin Ashdown"
    """
    from logger.session.corrections.sessions import rename_player

    _do(db, lambda store, said: rename_player(store, name, new, said))


@player_app.command("delete")
def delete_player(
    name: Annotated[str, typer.Argument(help="Name of the player.")], db: DbOption = None
) -> None:
    """Let a player and all their sessions count no more; they stay in the data file.

    Example: lieboard player delete "Mika Tarn"
    """
    from logger.session.corrections.sessions import delete_player as remove

    _do(db, lambda store, said: remove(store, name, said))
