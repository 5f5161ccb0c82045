"""What the fitter asks of the bend sheet, and what overlays say of the measured lies it heeds."""

import pytest

from logger.store.store import Store

START_NS = 1_700_000_000 * 10**9
TOES_MM = {"5i": -7.2, "6i": 0.0, "7i": 0.0, "8i": 0.0, "9i": 0.0}


def test_left_to_itself_the_sheet_bends_the_odd_club(marked, planned):
    assert [row.bend_deg for row in planned(marked()).rows] == [-1.0, 0.0, 0.0, 0.0, 0.0]


def test_clubs_that_must_be_bent_or_must_not(marked, sheet, planned):
    db = marked()
    assert planned(db, locked=["5I"]).row("5i").bend_deg == 0.0
    assert planned(db, must_bend={"7i": 0.5}).row("7i").bend_deg == 0.5
    # As is best, but not 0: of the two smallest the one nearer to centred.
    free = planned(db, must_bend={"9i": None}).row("9i")
    assert abs(free.bend_deg) == 0.5
    assert abs(free.error_after_deg) <= abs(free.error_before_deg - free.bend_deg)
    code, out, _ = sheet(db, "--must-bend", "7i=0.5u", "--lock", "5i", "--must-bend", "9i")
    assert code == 0
    assert out.count("the fitter insists") == 2


def test_how_far_from_the_present_lie(marked, sheet, planned):
    db = marked()
    assert planned(db, most_bend_deg={"": 0.5}).row("5i").bend_deg == -0.5
    assert planned(db, most_bend_deg={"": 0.5, "5i": 1.0}).row("5i").bend_deg == -1.0
    code, out, _ = sheet(db, "--most", "0.5", "--why", "5i")
    assert code == 0
    assert "the fitter wants it bent 0.5° at most" in out
    assert "This is the fitter's decision" in out


def test_how_far_from_the_wanted_lie(marked, planned):
    db = marked()
    # Within 0.3 of the wanted lie takes the whole degree even if half is preferred elsewhere.
    plan = planned(db, within_deg={"5i": 0.3})
    assert abs(plan.row("5i").error_after_deg) <= 0.3


def test_wishes_that_clash_are_one_line_with_the_fewest_limits(marked, sheet):
    code, out, err = sheet(marked(), "--must-bend", "5i=2u", "--lock", "6i", "--most", "7i=1")
    assert (code, out) == (1, "")
    assert err == (
        "lieboard: these cannot all hold together: 5i must be bent 2° upright; 5i must not be more "
        "upright than 6i; 6i is locked. Give up one of them\n"
    )


def test_a_bias_that_no_limit_allows_is_named(marked, sheet, planned):
    # 9 m right takes several degrees flat with a 5-iron; a forged head gives 2, and the step to
    # the 6i, half a degree now, must not pass 1.5.
    db = marked(changes={"5i": {"bias": 9.0, "bias_unit": "m"}})
    row = planned(db, metres=True).row("5i")
    assert (row.reason.value, row.bend_deg) == ("steps to its neighbours", -1.0)
    assert row.miss_after_m < row.miss_before_m
    code, _, err = sheet(db, "--within", "5i=0.5")
    assert code == 1
    assert "5i must end within 0.5° of its wanted lie" in err


def test_a_loft_bend_says_what_it_does_to_the_bounce(marked, sheet):
    """One degree of loft is one degree of bounce (common practice, no source)."""
    code, out, _ = sheet(marked(), "--loft", "9i=1w", "--loft", "5i=0.5s")
    assert code == 0
    told = " ".join(out.split())
    assert "1° weak" in told
    assert "bounce 7° becomes 8°" in told
    assert "bounce 3° becomes 2.5°" in told
    assert "changes the carry" in told
    code, out, _ = sheet(marked(), "--loft", "9i=1w", "--why", "9i")
    assert "Loft: 1° weak is 1° more bounce" in out


def test_a_loft_bend_takes_from_what_the_head_has_left(marked, planned):
    # A cast head takes 1 degree: beside 0.5 of loft hypot leaves sqrt(0.75) = 0.87 for the lie.
    db = marked(changes={"5i": {"head_material": "cast"}})
    assert planned(db).row("5i").bend_deg == -1.0
    plan = planned(db, loft_change_deg={"5i": 0.5})
    assert plan.row("5i").bend_deg == -0.5
    assert "0.5° of it for the loft" in plan.row("5i").why


def test_more_loft_than_the_head_has_left_cannot_be(marked, sheet):
    db = marked(changes={"5i": {"head_material": "cast"}})
    code, _, err = sheet(db, "--loft", "5i=1.5s")
    assert (code, err.count("\n")) == (1, 1)
    assert "this cannot be: the cast head of 5i has 1° left to bend, 1.5° of loft asked for" in err


def test_past_bends_of_the_loft_count_too(marked, planned):
    db = marked()
    with Store.open(db) as store:
        five = store.sets.get(1).clubs[0]
        store.readings.add_bend(
            five.id, bent_utc_ns=START_NS - 10**9, lie_before_deg=61.0, lie_after_deg=61.0,
            loft_before_deg=27.5, loft_after_deg=26.0,
        )  # fmt: skip
    row = planned(db).row("5i")
    # 2 degrees less 1.5 of loft.
    assert row.bend_deg == -0.5
    assert "0.5° left to bend" in row.why


def test_soles_that_dig_have_a_change_of_loft_proposed_but_not_planned(marked, planned):
    plan = planned(marked(trail_mm=-6.0))
    (five,) = [note for note in plan.notes if note.startswith("5i shows too little bounce")]
    assert "--loft 5i=" in five
    assert all(row.loft_change_deg == 0 for row in plan.rows)


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        (("--lock", "3w"), 2, "there is no club 3w"),
        (("--most", "3w=1"), 2, "there is no club 3w"),
        (("--must-bend", "7i=1"), 2, "say which way, 7i=1u"),
        (("--must-bend", "7i=0.3u"), 2, "not a whole number of the machine's steps"),
        (("--must-bend", "7i=0u"), 2, "by more than 0"),
        (("--must-bend", "=1"), 2, "needs a club"),
        (("--must-bend", "7i", "--must-bend", "7I=1u"), 2, "two things of 7I"),
        (("--loft", "9i=1x"), 2, "w or s"),
        (("--most", "-1"), 2, "--most"),
        (("--within", "nan"), 2, "--within"),
        (("--loft", "9i=9w"), 2, "up to 4"),
    ],
)
def test_options_that_make_no_sense_are_one_clear_line(marked, sheet, options, code, words):
    got, out, err = sheet(marked(count=3), *options)
    assert (got, out) == (code, "")
    assert err.count("\n") == 1
    assert words in err


def test_an_overlay_bounds_the_bend_of_a_club_whose_lie_was_not_measured(marked, planned, overlay):
    """Overlays read what the gauge did not: step = atan(offset / length), about 0.8° for 13 mm."""
    toes = TOES_MM | {"5i": 7.2}
    db = marked(toes=toes, changes={"5i": {"lie_deg": None}})
    free = planned(db)
    assert free.row("5i").bend_deg == 1.5
    assert any("steps not checked" in note for note in free.notes)
    # The 6i stands 8.3 mm, half a degree, on the upright side of the 5i.
    overlay(db, "5i", "6i", 8.3)
    plan = planned(db)
    assert plan.row("5i").bend_deg == 0.5
    assert plan.row("5i").reason.value == "steps to its neighbours"
    assert plan.row("5i").static_before_deg == pytest.approx(61.0, abs=0.06)
    assert any("Lie of 5i by overlay: 61.0°" in note for note in plan.notes)
    assert not any("steps not checked" in note for note in plan.notes)


def test_a_step_without_any_lie_is_known_from_the_overlay_alone(marked, planned, overlay):
    bare = {label: {"lie_deg": None} for label in TOES_MM}
    db = marked(toes=TOES_MM | {"5i": 5.3}, changes=bare)
    overlay(db, "6i", "5i", -8.3)
    plan = planned(db)
    assert plan.row("5i").bend_deg == 0.5
    (step,) = plan.row("5i").steps
    assert (step.to, step.before_deg) == ("6i", pytest.approx(0.5, abs=0.02))
    assert step.u_deg == pytest.approx(0.06, abs=0.02)
    assert plan.row("5i").static_before_deg is None


def test_an_overlay_that_contradicts_the_others_is_named_and_left_out(
    marked, sheet, planned, overlay
):
    db = marked()
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


def test_overlays_that_cannot_be_told_apart_are_all_named(marked, planned, overlay):
    bare = {label: {"lie_deg": None} for label in TOES_MM}
    db = marked(changes=bare)
    # Two readings of one pair, nothing else: one of them is wrong, which one nobody can say.
    overlay(db, "6i", "7i", 8.0)
    overlay(db, "6i", "7i", 60.0)
    (said,) = [note for note in planned(db).notes if "which one cannot be told" in note]
    assert said.count("overlay of 6i and 7i") == 2
