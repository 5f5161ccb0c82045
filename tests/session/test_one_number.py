"""Every screen prints the same lie error for a club: there is one maker."""

from logger.cli import main
from logger.page.numbers import NumberWorks
from logger.session.evidence.evidence import session_picture
from logger.session.results.planning import bend_plan
from logger.store.store import Store


def test_clubs_sheet_budget_page_and_report_print_one_number(marked, capsys, tmp_path):
    db = marked()
    with Store.open(db, read_only=True) as store:
        session = store.sessions.all()[-1]
        picture = session_picture(store, session)
        plan = bend_plan(store, session, picture)
    with NumberWorks(db) as works:
        page = works.work_out(session)
    capsys.readouterr()
    assert main(["clubs", "--budget", "--db", str(db)]) == 0
    clubs = capsys.readouterr().out
    assert main(["sheet", "--db", str(db)]) == 0
    sheet = capsys.readouterr().out
    together = picture.together
    assert picture.level_claimed
    for place, one in enumerate(picture.clubs):
        lie, interval = one.lie.lie_error_deg, one.lie.interval_deg
        assert lie == together.mean_deg[place]
        assert (interval.low, interval.high) == (
            together.low_deg[place],
            together.high_deg[place],
        )
        row = next(line for line in clubs.splitlines() if line.split()[:1] == [one.club.label])
        assert f" {lie:+z.1f} " in row
        assert f"{interval.low:+z.1f} … {interval.high:+z.1f}" in row
        assert f"{one.club.label}: {lie:+z.1f}° ± {one.lie.budget.expanded:.2f}°" in clubs
        row = next(line for line in sheet.splitlines() if line.split()[:1] == [one.club.label])
        assert f" {lie:+z.1f} {interval.low:+z.1f} … {interval.high:+z.1f} " in row
        assert plan.rows[place].error_before_deg == lie
        shown = page.clubs[place].lie_error
        assert (round(shown.deg, 1), round(shown.low_deg, 1)) == (
            round(lie, 1),
            round(interval.low, 1),
        )
