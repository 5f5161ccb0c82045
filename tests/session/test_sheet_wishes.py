"""What the fitter asks of the bend sheet, and what overlays say of the static lies it heeds."""

import random

import pytest

from logger.cli import main
from logger.clubs import Club, ClubSpec, SetFile
from logger.session.evidence import session_picture
from logger.session.planning import PlanWishes, bend_plan
from logger.store.store import Store

START_NS = 1_700_000_000 * 10**9
# Mean contacts on soles of 300 mm radius: 5.24 mm are a degree (R pi / 180).
TOES_MM = {"5i": -5.3, "6i": 0.0, "7i": 0.0, "8i": 0.0, "9i": 0.0}


def spec(place, **changes):
    fields = {
        "length_mm": 965.2 - 12.7 * place, "lie_deg": 61.0 + 0.5 * place, "camber_mm": 300.0,
        "loft_deg": 26.0 + 4.0 * place, "bounce_deg": 3.0 + place, "camber_u_mm": 5.0,
        "sole_length_mm": 78.0, "head_material": "forged",
    }  # fmt: skip
    return ClubSpec(**(fields | changes))


@pytest.fixture
def bench(tmp_path):
    """Marks of five irons in a data file; the 5i stands a degree too upright."""

    def make(hand="right", toes=TOES_MM, trail_mm=0.0, count=8, changes=None):
        path = tmp_path / "bench.db"
        noise = random.Random(3)
        with Store.open(path) as store:
            clubs = tuple(
                Club(label, spec(place, **(changes or {}).get(label, {})))
                for place, label in enumerate(toes)
            )
            set_id = store.import_set(
                SetFile("Ada Lindqvist", hand, "Test irons", "7i", 0.5, clubs),
                at_utc_ns=START_NS,
            )
            session = store.start_session(
                set_id, started_utc_ns=START_NS, stance_u_mm=1.0, sole_middle_u_mm=5.0, ball=True
            )
            at = START_NS
            for club in store.get_set(set_id).clubs:
                for _ in range(count):
                    at += 10**10
                    store.add_mark(
                        session, club.id, struck_utc_ns=at, u_mm=1.0,
                        toe_mm=toes[club.label] + noise.gauss(0.0, 1.5),
                        trail_mm=trail_mm + noise.gauss(0.0, 0.8),
                    )  # fmt: skip
        return path

    return make


@pytest.fixture
def sheet(capsys):
    """Run ``lieboard sheet``; exit code, table and the line of what went wrong."""

    def run(db, *options):
        code = main(["sheet", "--db", str(db), *options])
        shown = capsys.readouterr()
        return code, shown.out, shown.err

    return run


def planned(db, metres=False, **wishes):
    with Store.open(db, read_only=True) as store:
        (session,) = store.sessions()
        picture = session_picture(store, session)
        return bend_plan(store, session, picture, PlanWishes(metres=metres, **wishes))


def overlay(db, first, second, offset_mm, u_mm=1.0):
    with Store.open(db) as store:
        ids = {club.label: club.id for club in store.get_set(1).clubs}
        store.add_overlay(
            ids[first], ids[second], offset_mm=offset_mm, u_mm=u_mm, read_utc_ns=START_NS + 1
        )


def test_left_to_itself_the_sheet_bends_the_odd_club(bench):
    assert [row.bend_deg for row in planned(bench()).rows] == [-1.0, 0.0, 0.0, 0.0, 0.0]


def test_clubs_that_must_be_bent_or_must_not(bench, sheet):
    db = bench()
    assert planned(db, locked=["5I"]).row("5i").bend_deg == 0.0
    assert planned(db, must_bend={"7i": 0.5}).row("7i").bend_deg == 0.5
    # As is best, but not 0: of the two smallest the one nearer to centred.
    free = planned(db, must_bend={"9i": None}).row("9i")
    assert abs(free.bend_deg) == 0.5
    assert abs(free.error_after_deg) <= abs(free.error_before_deg - free.bend_deg)
    code, out, _ = sheet(db, "--must-bend", "7i=0.5u", "--lock", "5i", "--must-bend", "9i")
    assert code == 0
    assert out.count("the fitter insists") == 2


def test_how_far_from_the_present_lie(bench, sheet):
    db = bench()
    assert planned(db, most_bend_deg={"": 0.5}).row("5i").bend_deg == -0.5
    assert planned(db, most_bend_deg={"": 0.5, "5i": 1.0}).row("5i").bend_deg == -1.0
    code, out, _ = sheet(db, "--most", "0.5", "--why", "5i")
    assert code == 0
    assert "the fitter wants it bent 0.5° at most" in out
    assert "This is the fitter's decision" in out


def test_how_far_from_the_wanted_lie(bench):
    db = bench()
    # Within 0.3 of the wanted lie takes the whole degree even if half is preferred elsewhere.
    plan = planned(db, within_deg={"5i": 0.3})
    assert abs(plan.row("5i").error_after_deg) <= 0.3


def test_wishes_that_clash_are_one_line_with_the_fewest_limits(bench, sheet):
    code, out, err = sheet(bench(), "--must-bend", "5i=2u", "--lock", "6i", "--most", "7i=1")
    assert (code, out) == (1, "")
    assert err == (
        "lieboard: these cannot all hold together: 5i must be bent 2° upright; 5i must not be more "
        "upright than 6i; 6i is locked. Give up one of them\n"
    )


def test_a_bias_that_no_limit_allows_is_named(bench, sheet):
    # 9 m right takes several degrees flat with a 5-iron; a forged head gives 2, and the step to
    # the 6i, half a degree now, must not pass 1.5.
    db = bench(changes={"5i": {"bias": 9.0, "bias_unit": "m"}})
    row = planned(db, metres=True).row("5i")
    assert (row.reason.value, row.bend_deg) == ("steps to its neighbours", -1.0)
    assert row.miss_after_m < row.miss_before_m
    code, _, err = sheet(db, "--within", "5i=0.5")
    assert code == 1
    assert "head of 5i has 2° left to bend" in err
    assert "5i must end within 0.5° of its wanted lie" in err


def test_a_loft_bend_says_what_it_does_to_the_bounce(bench, sheet):
    """One degree of loft is one degree of bounce (common practice, no source)."""
    code, out, _ = sheet(bench(), "--loft", "9i=1w", "--loft", "5i=0.5s")
    assert code == 0
    told = " ".join(out.split())
    assert "1° weak" in told
    assert "bounce 7° becomes 8°" in told
    assert "bounce 3° becomes 2.5°" in told
    assert "changes the carry" in told
    code, out, _ = sheet(bench(), "--loft", "9i=1w", "--why", "9i")
    assert "Loft: 1° weak is 1° more bounce" in out


def test_a_loft_bend_takes_from_what_the_head_has_left(bench):
    # A cast head takes 1 degree: beside 0.5 of loft hypot leaves sqrt(0.75) = 0.87 for the lie.
    db = bench(changes={"5i": {"head_material": "cast"}})
    assert planned(db).row("5i").bend_deg == -1.0
    plan = planned(db, loft_change_deg={"5i": 0.5})
    assert plan.row("5i").bend_deg == -0.5
    assert "0.5° of it for the loft" in plan.row("5i").why


def test_more_loft_than_the_head_has_left_cannot_be(bench, sheet):
    db = bench(changes={"5i": {"head_material": "cast"}})
    code, _, err = sheet(db, "--loft", "5i=1.5s")
    assert (code, err.count("\n")) == (1, 1)
    assert "this cannot be: the cast head of 5i has 1° left to bend, 1.5° of loft asked for" in err


def test_past_bends_of_the_loft_count_too(bench):
    db = bench()
    with Store.open(db) as store:
        five = store.get_set(1).clubs[0]
        store.add_bend(
            five.id, bent_utc_ns=START_NS - 10**9, lie_before_deg=61.0, lie_after_deg=61.0,
            loft_before_deg=27.5, loft_after_deg=26.0,
        )  # fmt: skip
    row = planned(db).row("5i")
    # 2 degrees less 1.5 of loft.
    assert row.bend_deg == -0.5
    assert "0.5° left to bend" in row.why


def test_soles_that_dig_have_a_change_of_loft_proposed_but_not_planned(bench):
    plan = planned(bench(trail_mm=-6.0))
    (five,) = [note for note in plan.notes if note.startswith("5i shows too little bounce")]
    assert "--loft 5i=" in five
    assert all(row.loft_change_deg == 0 for row in plan.rows)


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        (("--lock", "3w"), 2, "there is no club 3w"),
        (("--most", "3w=1"), 2, "there is no club 3w"),
        (("--must-bend", "7i=0.3"), 2, "not a whole number of the machine's steps"),
        (("--must-bend", "7i=0"), 2, "by more than 0"),
        (("--must-bend", "=1"), 2, "needs a club"),
        (("--must-bend", "7i", "--must-bend", "7I=1u"), 2, "two things of 7I"),
        (("--loft", "9i=1x"), 2, "w or s"),
        (("--most", "-1"), 2, "--most"),
        (("--within", "nan"), 2, "--within"),
        (("--loft", "9i=9w"), 2, "up to 4"),
    ],
)
def test_options_that_make_no_sense_are_one_clear_line(bench, sheet, options, code, words):
    got, out, err = sheet(bench(count=3), *options)
    assert (got, out) == (code, "")
    assert err.count("\n") == 1
    assert words in err


def test_an_overlay_bounds_the_bend_of_a_club_whose_lie_was_not_measured(bench):
    """Overlays read what the gauge did not: step = atan(offset / length), about 0.8° for 13 mm."""
    toes = TOES_MM | {"5i": 5.3}
    db = bench(toes=toes, changes={"5i": {"lie_deg": None}})
    free = planned(db)
    assert free.row("5i").bend_deg == 1.0
    assert any("steps not checked" in note for note in free.notes)
    # The 6i stands 8.3 mm, half a degree, on the upright side of the 5i.
    overlay(db, "5i", "6i", 8.3)
    plan = planned(db)
    assert plan.row("5i").bend_deg == 0.5
    assert plan.row("5i").reason.value == "steps to its neighbours"
    assert plan.row("5i").static_before_deg == pytest.approx(61.0, abs=0.06)
    assert any("Static lie of 5i by overlay: 61.0°" in note for note in plan.notes)
    assert not any("steps not checked" in note for note in plan.notes)


def test_a_step_without_any_lie_is_known_from_the_overlay_alone(bench):
    bare = {label: {"lie_deg": None} for label in TOES_MM}
    db = bench(toes=TOES_MM | {"5i": 5.3}, changes=bare)
    overlay(db, "6i", "5i", -8.3)
    plan = planned(db)
    assert plan.row("5i").bend_deg == 0.5
    (step,) = plan.row("5i").steps
    assert (step.to, step.before_deg) == ("6i", pytest.approx(0.5, abs=0.02))
    assert step.u_deg == pytest.approx(0.06, abs=0.02)
    assert plan.row("5i").static_before_deg is None


def test_an_overlay_that_contradicts_the_others_is_named_and_left_out(bench, sheet):
    db = bench()
    before = [row.bend_deg for row in planned(db).rows]
    for pair in (("5i", "6i"), ("6i", "7i"), ("7i", "8i"), ("8i", "9i")):
        overlay(db, *pair, 8.2)
    overlay(db, "6i", "7i", 60.0)
    plan = planned(db)
    assert [row.bend_deg for row in plan.rows] == before
    code, out, _ = sheet(db)
    assert code == 0
    told = " ".join(out.split())
    assert "the overlay of 6i and 7i contradicts the others by 3.2°" in told
    assert "left out here" in told


def test_overlays_that_cannot_be_told_apart_are_all_named(bench):
    bare = {label: {"lie_deg": None} for label in TOES_MM}
    db = bench(changes=bare)
    # Two readings of one pair, nothing else: one of them is wrong, which one nobody can say.
    overlay(db, "6i", "7i", 8.0)
    overlay(db, "6i", "7i", 60.0)
    (said,) = [note for note in planned(db).notes if "which one cannot be told" in note]
    assert said.count("overlay of 6i and 7i") == 2
