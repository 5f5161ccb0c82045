"""Sets and sessions that leave something out or fit no pattern: a number, a word, or a clear no."""

import pytest

from logger.store.store import Store

TOES_MM = {"5i": -7.2, "6i": 0.0, "7i": 0.0, "8i": 0.0, "9i": 0.0}


def test_clubs_all_of_one_length(marked, planned, sheet):
    same = {label: {"length_mm": 940.0, "lie_deg": 62.0} for label in TOES_MM}
    db = marked(changes=same)
    # No club has to be the flatter one of two: the odd one alone is bent, as far as is sure.
    plan = planned(db)
    assert plan.row("5i").bend_deg < 0
    assert plan.row("5i").reason.value in ("nothing", "evidence"), plan.row("5i").why
    assert [row.bend_deg for row in plan.rows[1:]] == [0.0, 0.0, 0.0, 0.0]
    code, out, err = sheet(db)
    assert (code, err) == (0, "")
    assert "5i" in out


def test_a_club_with_one_strike_is_not_bent_on_it(marked, planned, sheet):
    db = marked(counts={"5i": 1, "9i": 0})
    row = planned(db).row("5i")
    assert (row.bend_deg, row.reason.value) == (0.0, "evidence")
    code, out, _ = sheet(db, "--why", "5i")
    assert code == 0
    assert "one strike of its own" in out
    assert planned(db).row("9i").decision.words == "not hit"


def test_one_club_with_one_strike_is_all_there_is(marked, planned):
    plan = planned(marked(count=0, counts={"7i": 1}))
    assert all(row.bend_deg == 0 for row in plan.rows)


def test_no_strike_at_all_is_a_clear_no(marked, sheet):
    code, out, err = sheet(marked(count=0))
    assert (code, out, err.count("\n")) == (1, "", 1)
    assert "no strike that counts" in err


@pytest.mark.parametrize("missing", ["lie_deg", "loft_deg", "length_mm", "camber_mm"])
def test_a_spec_that_was_not_measured_is_said(marked, planned, sheet, missing):
    db = marked(
        changes={"6i": {missing: None} | ({"camber_u_mm": None} if "cam" in missing else {})}
    )
    plan = planned(db, metres=True)
    told = " ".join(plan.notes)
    if missing == "lie_deg":
        assert plan.row("6i").static_before_deg is None
        assert "a lie was not measured: 5i to 6i, 6i to 7i" in told
    elif missing == "camber_mm":
        # The usual radius with its wide doubt.
        assert plan.row("6i").u_before_deg > 0
    else:
        assert plan.row("6i").miss_before_m is None
        assert "metres per degree not known for 6i" in told
    code, _, err = sheet(db)
    assert (code, err) == (0, "")


def test_a_wish_in_metres_without_a_loft_is_a_clear_no(marked, sheet):
    db = marked(changes={"6i": {"loft_deg": None, "bias": 3.0, "bias_unit": "m"}})
    code, out, err = sheet(db)
    assert (code, out, err.count("\n")) == (1, "", 1)
    assert "6i: a wish in metres needs the metres per degree" in err
    assert "measure the loft" in err


def test_a_change_of_loft_where_loft_and_bounce_are_not_known(marked, sheet):
    db = marked(changes={"9i": {"loft_deg": None, "bounce_deg": None}})
    code, out, _ = sheet(db, "--loft", "9i=1w")
    assert code == 0
    told = " ".join(out.split())
    assert "1° weak is 1° more bounce" in told
    assert "bounce None" not in told


def test_a_left_hander_in_metres_and_words(marked, planned, sheet):
    """The same soles mirrored: the bend is the same, the ball goes to the other side."""
    right = planned(marked(), metres=True).row("5i")
    code, right_story, _ = sheet(marked(), "--why", "5i")
    assert code == 0
    db = marked(hand="left").with_name("left.db")
    marked(hand="left").rename(db)
    with Store.open(db) as store:
        hands = {session.hand for session in store.sessions.all()}
    assert "left" in hands
    left = planned(db, metres=True).row("5i")
    assert left.bend_deg == right.bend_deg == -1.0
    assert left.aside_before_m == pytest.approx(-right.aside_before_m, rel=0.2)
    assert left.miss_before_m == pytest.approx(right.miss_before_m, rel=0.2)
    _, left_story, _ = sheet(db, "--why", "5i")
    assert "m left of the target" in right_story
    assert "m right of the target" in left_story


def test_a_left_handers_wish_to_the_right_is_an_upright_one(marked, planned):
    wish = {"7i": {"bias": 4.0, "bias_unit": "m"}}
    assert planned(marked(hand="left", changes=wish)).row("7i").wanted_deg > 1.0


def test_two_sessions_are_never_mixed(marked, planned, sheet):
    """The second says the opposite of the first: each has its own sheet, none has the mean."""
    db = marked()
    marked(toes=TOES_MM | {"5i": 5.3, "6i": 5.3, "7i": 5.3, "8i": 5.3, "9i": 5.3})
    first, second = planned(db, session=1), planned(db, session=2)
    assert first.row("5i").bend_deg == -1.0
    assert first.row("5i").error_before_deg == pytest.approx(1.0, abs=0.4)
    for row in second.rows:
        assert row.error_before_deg == pytest.approx(-1.0, abs=0.4)
    with Store.open(db, read_only=True) as store:
        assert len(store.strikes.contacts(1)) == len(store.strikes.contacts(2)) == 40
    code, _, err = sheet(db, "--session", "3")
    assert code == 4
    assert "there is no session 3" in err
