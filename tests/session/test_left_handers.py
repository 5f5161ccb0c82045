"""A left-hander is a right-hander in the mirror: every number the same, no sign turned."""

import dataclasses

import numpy as np
import pytest

from logger.session.evidence.evidence import session_picture
from logger.session.logging.opening import Circumstances, open_session
from logger.session.results.planning import bend_plan

# Places of the patch, in cells from one end of the strip.
PLACES = {"7i": (9, 8, 9, 10, 9), "6i": (5, 6, 6, 5, 7), "8i": (8, 8, 7, 9, 8)}


@pytest.fixture
def swung(desk, at_ns):
    """Swing the whole set, as scans or as readings, and look at it."""

    def swing(hand, kind):
        turned = hand == "left"
        session = open_session(
            desk.store,
            player=None,
            set_name=None,
            now_utc_ns=at_ns(0.0),
            circumstances=Circumstances(
                hand=hand, sole_middle_mm=-6.0 if turned else 6.0, sole_middle_u_mm=5.0
            ),
            always_new=True,
        )
        boot = desk.boot(f"{hand} {kind}", session=session)
        sequence = 0
        for place, (label, cells) in enumerate(PLACES.items()):
            session.choose_club(label, at_ns(100.0 * place))
            for n, cell in enumerate(cells):
                at_s = 100.0 * place + 1 + 5 * n
                seen = 15 - cell if turned else cell
                if kind == "scans":
                    record = desk.strike(sequence, at_s, place=seen)
                else:
                    record = desk.reading(
                        sequence, at_s, board_mm=4.0 * (seen - 7.5), flags=4, span_ticks=700
                    )
                desk.take(boot, record, session=session)
                sequence += 1
        picture = session_picture(desk.store, session.row)
        return picture, bend_plan(desk.store, session.row, picture)

    return swing


def numbers(thing, path=""):
    """Every number in a tree of dataclasses, by its path."""
    if dataclasses.is_dataclass(thing):
        for field in dataclasses.fields(thing):
            yield from numbers(getattr(thing, field.name), f"{path}.{field.name}")
    elif isinstance(thing, tuple | list):
        for index, one in enumerate(thing):
            yield from numbers(one, f"{path}[{index}]")
    elif isinstance(thing, np.ndarray) and thing.dtype.kind == "f":
        yield path, thing
    elif isinstance(thing, float):
        yield path, np.array(thing)


@pytest.mark.parametrize("kind", ["scans", "readings"])
def test_the_mirror_gives_the_same_evidence_and_the_same_sheet(swung, kind):
    right, right_plan = swung("right", kind)
    left, left_plan = swung("left", kind)
    toe = {one.club.label: one.contact.mean_mm for one in right.clubs}
    # 9 is 6 mm from the middle, where the sole's middle was addressed; 6 lies to the heel of it.
    assert toe["6i"] < toe["8i"] < toe["7i"]
    assert abs(toe["7i"]) < 2.6 * next(o.contact.u_mm for o in right.clubs if o.club.label == "7i")
    for one, other in ((right.clubs, left.clubs), (right_plan, left_plan)):
        first, second = dict(numbers(one)), dict(numbers(other))
        assert first.keys() == second.keys()
        assert len(first) > 20
        for path, value in first.items():
            np.testing.assert_allclose(second[path], value, rtol=1e-6, atol=1e-6, err_msg=path)
