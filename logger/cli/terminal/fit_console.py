"""A rich console that shows text from elsewhere and does not obey it."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from logger.cli.terminal.shown import fit


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
