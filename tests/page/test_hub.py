"""What waits for a viewer, and what a handful of strikes can say of the next."""

import numpy as np
import pytest

from logger.page.hub import Hub
from logger.page.messages import (
    ContactPart,
    StateMessage,
    StrikeMessage,
    WordsMessage,
    decode_act,
    encode,
)
from logger.page.numbers import FEWEST, next_strike_ellipse


def strike(number, used=True):
    return StrikeMessage(
        number, "board", "7i", number, "2025-06-15T15:06:43.000Z", 1.0, None, used, None, False
    )


def state(club="7i"):
    return StateMessage(0, None, club, None, [], None, [], False, [], True)


async def test_only_the_last_state_waits_and_every_strike():
    hub = Hub(1000)
    viewer = hub.join(None, may_act=False)
    await viewer.take()
    hub.publish_state(state("6i"))
    hub.publish_strikes([strike(1)])
    hub.publish_strikes([strike(1), strike(2)])
    hub.publish_state(state("7i"))
    sent = (await viewer.take()).decode()
    assert "6i" not in sent.replace("strikes", "")
    assert [part.split("\n")[0] for part in sent.split("\n\n")[:-1]] == [
        "id: 1002", "id: 1003", "id: 1004",
    ]  # fmt: skip
    # What did not change is not told again.
    hub.publish_state(state("7i"))
    hub.publish_strikes([strike(1), strike(2)])
    hub.publish_strikes([strike(1), strike(2, used=False)])
    again = (await viewer.take()).decode()
    assert again.count("event:") == 1
    assert '"id":1' not in again


async def test_a_queue_that_nobody_empties_overflows_and_grows_no_further():
    hub = Hub(1, most_waiting=4)
    viewer = hub.join(None, may_act=False)
    other = hub.join(None, may_act=True)
    for number in range(1, 30):
        hub.publish_strikes([strike(i) for i in range(1, number + 1)])
        assert len(await other.take()) < 500
    assert viewer.overflowed.is_set()
    assert not other.overflowed.is_set()
    assert (await viewer.take()).count(b"event:") == 4


async def test_too_much_was_missed_to_be_made_up_for():
    hub = Hub(1, most_waiting=4)
    seen = 1
    for number in range(1, 4):
        hub.publish_strikes([strike(i) for i in range(1, number + 1)])
    first = await hub.join(seen, may_act=False).take()
    assert first.count(b'"reset":true') == 1
    near = await hub.join(2, may_act=False).take()
    assert near.count(b'"reset":false') == 2


def test_a_number_that_is_none_is_not_sent():
    with pytest.raises(ValueError, match="JSON"):
        encode(ContactPart(float("nan"), None, None))
    assert encode(WordsMessage("ä\n\ud800")) == '{"words":"ä\\n?"}'.encode()
    with pytest.raises(ValueError, match="object"):
        decode_act(b"3")


# 90 % points of F(2, m): standard tables (NIST/SEMATECH e-Handbook, 1.3.6.7.3, F for 2 and m).
F_90 = {3: 5.462, 6: 3.463, 10: 2.924, 20: 2.589}


@pytest.mark.parametrize("dof", F_90)
def test_the_ellipse_by_the_table(dof):
    n = dof + 2
    places = np.random.default_rng(3).normal(size=(n, 2))
    found = next_strike_ellipse(*places.T, share=0.9)
    spread = np.sqrt(np.linalg.eigvalsh(np.cov(places, rowvar=False)))
    wanted = np.sqrt(2 * (n**2 - 1) / (n * (n - 2)) * F_90[dof])
    assert found.major_mm == pytest.approx(spread[1] * wanted, rel=0.01)
    assert found.minor_mm == pytest.approx(spread[0] * wanted, rel=0.01)


def test_the_next_strike_falls_within_as_often_as_said():
    rng = np.random.default_rng(11)
    trials = 1000
    inside = 0
    for _ in range(trials):
        toe, trail = rng.multivariate_normal([3, -1], [[16, 5], [5, 4]], size=9).T
        e = next_strike_ellipse(toe[:-1], trail[:-1], share=0.5)
        turn = np.radians(e.angle_deg)
        dx, dy = toe[-1] - e.toe_mm, trail[-1] - e.trail_mm
        along, across = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
        inside += (along / e.major_mm) ** 2 + (across / e.minor_mm) ** 2 <= 1
    # Four standard deviations of the binomial.
    assert inside / trials == pytest.approx(0.5, abs=4 * np.sqrt(0.25 / trials))


def test_the_long_axis_turns_from_toe_to_trailing_edge():
    along = np.array([-4.0, -2.0, 0.0, 2.0, 4.0, 1.0])
    across = np.array([0.5, -0.5, 0.2, -0.3, 0.1, 0.0])
    for angle in (-60.0, 0.0, 30.0, 90.0):
        turn = np.radians(angle)
        found = next_strike_ellipse(
            along * np.cos(turn) - across * np.sin(turn),
            along * np.sin(turn) + across * np.cos(turn),
        )
        assert abs((found.angle_deg - angle + 90) % 180 - 90) < 5


def test_too_few_strikes_have_no_ellipse():
    assert next_strike_ellipse([1.0] * (FEWEST - 1), [1.0] * (FEWEST - 1)) is None
    # All in one place: a point, and no error.
    assert next_strike_ellipse([1.0] * FEWEST, [2.0] * FEWEST).major_mm == 0
