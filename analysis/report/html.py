"""The report as one HTML file that needs nothing else."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.conventions import Hand
from analysis.history.set_history import ClubHistory, History
from analysis.report.content import ReportContent
from analysis.report.history_chart import stream_svg
from analysis.report.history_words import LEGEND, club_words, common_words
from analysis.report.set_chart import set_chart_svg
from analysis.report.soles import sole_svgs
from analysis.report.tables import (
    BUDGET_LEGEND,
    CLUB_LEGEND,
    budget_rows,
    club_heads,
    club_rows,
    sheet_cells,
    sole_legend,
)


def report_html(report: ReportContent, *, inches: bool = False) -> str:
    """Render a report as a self-contained page: styles and figures inline, no script.

    Lengths are in mm, or in inches.

    Every name is shown as text: markup in it stays text. Prints on A4 and Letter.

    Raises
    ------
    ValueError
        A report without clubs.
    """
    from markupsafe import Markup

    if not report.clubs:
        raise ValueError("a report needs at least one club")
    rows = report.sheet.rows if report.sheet else ()
    # Markup: our own drawing and our own style sheet; names within the drawings are outlines or
    # escaped there.
    return _render(
        "sheet.html.j2",
        r=report,
        club_heads=club_heads(inches=inches),
        club_rows=club_rows(report, inches=inches),
        club_legend=CLUB_LEGEND,
        set_chart=Markup(set_chart_svg(report.clubs, rows, "set", inches=inches)),
        sheet_rows=[sheet_cells(row) for row in rows],
        sole_legend=sole_legend(inches=inches),
        soles=[
            (club, Markup(svg))
            for club, svg in zip(
                report.clubs,
                sole_svgs(report.clubs, "sole", Hand(report.hand), inches=inches),
                strict=True,
            )
        ],
        budget_legend=BUDGET_LEGEND,
        budget_rows=budget_rows(report),
    )


def history_html(
    history: History,
    *,
    player: str,
    set_name: str,
    dates: Sequence[str],
    remarks: Sequence[str],
    made: str,
) -> str:
    """Render a set's past as a self-contained page with its control charts.

    Parameters
    ----------
    history : History
    player, set_name, made : str
        Shown as text.
    dates : sequence of str
        Of all sessions.
    remarks : sequence of str
        What a reader must know first.
    """
    from markupsafe import Markup

    common = history.common
    chart = stream_svg(common, (), dates, "All clubs together, °", "common") if common else ""
    return _render(
        "history.html.j2",
        player=player,
        set_name=set_name,
        dates=dates,
        remarks=remarks,
        made=made,
        legend=LEGEND,
        common_words=common_words(history, dates),
        common_chart=Markup(chart),
        clubs=[
            (club.label, club_words(club, dates), Markup(_club_chart(club, dates, index)))
            for index, club in enumerate(history.clubs)
        ],
    )


def _club_chart(club: ClubHistory, dates: Sequence[str], index: int) -> str:
    bends = [outcome.bent for outcome in club.bends]
    title = f"{club.label}: lie error against the set, °"
    return stream_svg(club.own, bends, dates, title, f"club{index}")


def _render(template: str, **values: object) -> str:
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    loader = PackageLoader("analysis.report")
    environment = Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, keep_trailing_newline=True
    )
    css, _, _ = loader.get_source(environment, "sheet.css")
    return environment.get_template(template).render(css=Markup(css), **values)
