"""The report as one HTML file that needs nothing else."""

from __future__ import annotations

from analysis.report.content import ReportContent
from analysis.report.set_chart import set_chart_svg
from analysis.report.soles import sole_svg
from analysis.report.tables import (
    BUDGET_LEGEND,
    CLUB_HEADS,
    CLUB_LEGEND,
    SOLE_LEGEND,
    budget_rows,
    club_rows,
    sheet_cells,
)


def report_html(report: ReportContent) -> str:
    """Render a report as a self-contained page: styles and figures inline, no script.

    Every name is shown as text: markup in it stays text. Prints on A4 and Letter.

    Raises
    ------
    ValueError
        A report without clubs.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    if not report.clubs:
        raise ValueError("a report needs at least one club")
    environment = Environment(
        loader=PackageLoader("analysis.report"),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )
    source, _, _ = environment.loader.get_source(environment, "sheet.css")  # type: ignore[union-attr]
    rows = report.sheet.rows if report.sheet else ()
    # Markup: our own drawing and our own style sheet; names within the drawings are outlines or
    # escaped there.
    return environment.get_template("sheet.html.j2").render(
        r=report,
        css=Markup(source),
        club_heads=CLUB_HEADS,
        club_rows=club_rows(report),
        club_legend=CLUB_LEGEND,
        set_chart=Markup(set_chart_svg(report.clubs, rows, "set")),
        sheet_rows=[sheet_cells(row) for row in rows],
        sole_legend=SOLE_LEGEND,
        soles=[
            (club, Markup(sole_svg(club, f"sole{index}")))
            for index, club in enumerate(report.clubs)
        ],
        budget_legend=BUDGET_LEGEND,
        budget_rows=budget_rows(report),
    )
