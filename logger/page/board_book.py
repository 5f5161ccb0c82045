"""What the page shows of the boards: what the data file knows, and how they are doing now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from logger.page.messages import BoardPart
from logger.store.rows import BoardNews

_NOT_TOLD = "no program that logs has told of its link and battery"
_SILENT = "the program that logs it has said nothing for a while"


def with_news(known: Sequence[BoardPart], news: BoardNews) -> list[BoardPart]:
    """Return the boards of the data file with what its run tells of the one that is there."""
    boards = list(known)
    if news.name and all(board.board != news.name for board in boards):
        boards.append(_nameless(news.name))
    if not boards:
        boards.append(_nameless("board"))
    # Without a name (a first sketch says none) it is the one that is there.
    name = news.name or boards[-1].board
    return [_updated(board, news) if board.board == name else board for board in boards]


def without_news(known: Sequence[BoardPart], *, silent: bool) -> list[BoardPart]:
    """Say of boards why so little is known of them.

    ``silent``: their run told something, but too long ago.
    """
    words = _SILENT if silent else _NOT_TOLD
    return [
        replace(board, link_words=words) if board.link == "unknown" else board for board in known
    ]


def _nameless(name: str) -> BoardPart:
    return BoardPart(name, "unknown", "", None, None, None, 0, None)


def _updated(board: BoardPart, news: BoardNews) -> BoardPart:
    words = news.link_words
    if news.waiting:
        held = f"{news.waiting} waiting on the board"
        words = f"{words}, {held}" if words else held
    return replace(
        board,
        link=news.link,
        link_words=words,
        battery_volts=None if news.supply_mv is None else news.supply_mv / 1000,
        kept=news.kept,
    )
