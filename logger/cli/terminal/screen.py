"""A screen that is drawn again and again, as far as the terminal takes it."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import IO, cast

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from logger.cli.terminal.output import SteadyOutput
from logger.cli.terminal.safe_text import fit


class FitConsole(Console):
    """Makes all text fit for a terminal; rich's own codes stay."""

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        """Turn what is to be drawn into pieces of text and codes."""
        for segment in super().render(renderable, options):
            text = segment.text
            # What has a control code is rich's own: moving the cursor, a title.
            if segment.control or text == "\n" or text.isprintable():
                yield segment
            else:
                yield Segment(fit(text), segment.style)


# Often enough to look alive, seldom enough to cost nothing.
DRAW_EVERY_S = 0.1


@contextmanager
def steady_screen(picture: Callable[[], RenderableType]) -> Iterator[Callable[[], None]]:
    """Take the whole terminal until the end; gives what draws ``picture`` again.

    A terminal that has not taken the last drawing yet gets no other: it must keep nobody waiting.
    """
    from rich.live import Live

    from logger.cli.terminal.screen import FitConsole

    steady = SteadyOutput(sys.stdout)
    try:
        console = FitConsole(file=cast("IO[str]", steady), markup=False, emoji=False)
        with Live(get_renderable=picture, console=console, screen=True, auto_refresh=False) as live:

            def draw() -> None:
                if not steady.behind:
                    live.refresh()

            yield draw
    finally:
        steady.close()


async def draw_again(draw: Callable[[], None]) -> None:
    """Draw until cancelled."""
    while True:
        draw()
        await asyncio.sleep(DRAW_EVERY_S)
