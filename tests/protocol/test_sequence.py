"""Book-keeping over sequence numbers, against a plain set of integers."""

from hypothesis import given
from hypothesis import strategies as st

from logger.protocol.sequence import Hole, SequenceTracker


@given(
    st.lists(
        st.one_of(
            st.tuples(st.just("add"), st.integers(0, 30)),
            st.tuples(st.just("announce"), st.integers(0, 30)),
            st.tuples(st.just("give up"), st.integers(0, 30)),
        )
    )
)
def test_agrees_with_a_plain_set(steps):
    tracker = SequenceTracker()
    stored: set[int] = set()
    given_up: set[int] = set()
    announced = 0
    for what, number in steps:
        if what == "add":
            fresh = number not in stored | given_up
            assert tracker.add(number) is fresh
            stored.add(number)
            announced = max(announced, number + 1)
        elif what == "announce":
            tracker.announce(number)
            announced = max(announced, number)
        else:
            missing = set(range(min(number, announced))) - stored - given_up
            lost = tracker.give_up_below(number)
            assert {n for hole in lost for n in range(hole.first, hole.last + 1)} == missing
            given_up |= set(range(number)) - stored
            announced = max(announced, number)
        known = stored | given_up
        missing = set(range(announced)) - known
        holes = {n for hole in tracker.holes() for n in range(hole.first, hole.last + 1)}
        assert holes == missing
        assert tracker.waiting == len(missing)
        first_unknown = next(n for n in range(100) if n not in known)
        assert tracker.next_expected == first_unknown
        assert tracker.confirmable == (first_unknown - 1 if first_unknown else None)


def test_a_boot_known_from_disk_goes_on_where_it_was():
    tracker = SequenceTracker(next_expected=5)
    tracker.add(7)
    tracker.announce(9)
    assert tracker.holes() == [Hole(5, 6), Hole(8, 8)]
    assert tracker.confirmable == 4
