"""What boards lost, told in two data files: one loss of one number, by the word noted first."""

import shutil

from logger.store.store import Store

SECOND = 10**9


def test_a_loss_that_the_other_file_has_is_none(pair, writer, tmp_path, start_ns, both_ways):
    one, another = pair
    with Store.open(one) as store:
        for first, last in ((4, 6), (10, 12)):
            store.records.add_loss(
                1, count=3, reason="memory full", noted_utc_ns=start_ns, from_sequence=first,
                to_sequence=last, session=1,
            )  # fmt: skip
        store.records.add_loss(1, count=5, reason="before the first", noted_utc_ns=start_ns)
    with Store.open(another) as store:
        writer(store).strikes(1, 1, [5])
        store.records.add_loss(
            1, count=4, reason="memory full", noted_utc_ns=start_ns, from_sequence=11,
            to_sequence=14, session=1,
        )  # fmt: skip
    a, b = both_ways(tmp_path, one, another)
    assert a == b
    spans = sorted((row[3] or 0, row[4] or 0, row[5]) for row in a["losses"])
    assert spans == [(0, 0, 5), (4, 4, 1), (6, 6, 1), (10, 14, 5)]


def test_the_word_noted_first_holds_of_each_lost_number(
    pair, tmp_path, start_ns, writer, both_ways
):
    one, another = pair
    for path, spans in ((one, ((4, 9, 2), (20, 24, 1))), (another, ((6, 7, 1), (22, 30, 1)))):
        with Store.open(path) as store:
            for first, last, at in spans:
                # Noted at one moment, the reason whose name comes first.
                reason = f"memory {'full' if path is one else 'worn'}"
                store.records.add_loss(
                    1, count=last - first + 1, reason=reason, noted_utc_ns=start_ns + at,
                    from_sequence=first, to_sequence=last, session=1,
                )  # fmt: skip
    # Known by their count only, and twice in one file.
    with Store.open(another) as store:
        for _ in range(2):
            store.records.add_loss(1, count=3, reason="before the first", noted_utc_ns=start_ns)
    a, b = both_ways(tmp_path, one, another)
    assert a == b
    assert sorted((row[3] or 0, row[4] or 0, row[6], row[7] - start_ns) for row in a["losses"]) == [
        (0, 0, "before the first", 0), (0, 0, "before the first", 0),
        (4, 5, "memory full", 2), (6, 7, "memory worn", 1), (8, 9, "memory full", 2),
        (20, 24, "memory full", 1), (25, 30, "memory worn", 1),
    ]  # fmt: skip


def test_turns_and_records_of_both_decide_whose_loss_it_is(
    pair, tmp_path, start_ns, writer, both_ways
):
    one, another = pair
    with Store.open(one) as store:
        # Nothing came since: of the two clubs that are said, the one whose name comes first.
        for club, first in (("8i", 4), ("7i", 40)):
            store.records.add_loss(
                1, count=2, reason="memory full", noted_utc_ns=start_ns, from_sequence=first,
                to_sequence=first + 1, session=1, club=writer(store).clubs(1)[club],
            )  # fmt: skip
    with Store.open(another) as store:
        clubs = writer(store).clubs(1)
        store.sessions.add_turn(1, clubs["6i"], from_utc_ns=start_ns + 25 * SECOND, cause="key")
        writer(store).strikes(1, 1, [6])
        for number in (40, 4):
            store.records.add_loss(
                1, count=2, reason="memory full", noted_utc_ns=start_ns, from_sequence=number,
                to_sequence=number + 1, session=1, club=clubs["8i"] if number == 40 else None,
            )  # fmt: skip
    a, b = both_ways(tmp_path, one, another)
    assert a == b
    clubs_of = sorted((row[3], row[4], row[2].split("/")[-1]) for row in a["losses"])
    assert clubs_of == [(4, 5, "6i"), (40, 41, "7i")]


def test_losses_of_three_files_are_the_same_in_whichever_order(
    pair, content, tmp_path, start_ns, writer, merged
):
    files = [*pair, shutil.copy(pair[0], tmp_path / "third.db")]
    for place, path in enumerate(files):
        with Store.open(path) as store:
            club = list(writer(store).clubs(1).values())[place]
            for first, last, at, reason in (
                (4 + place, 12 - place, place, "full"), (20 + 2 * place, 24 + 2 * place, 5, "full"),
                (40, 44, 5, "abc"[2 - place]), (60, 61, 5, "full"),
            ):  # fmt: skip
                store.records.add_loss(
                    1, count=last - first + 1, reason=reason, noted_utc_ns=start_ns + at,
                    from_sequence=first, to_sequence=last, session=1, club=club,
                )  # fmt: skip
            if place == 1:
                writer(store).strikes(1, 1, [8, 42, 50])
    found = []
    for turn in range(3):
        order = files[turn:] + files[:turn]
        path = shutil.copy(order[0], tmp_path / f"in-turn-{turn}.db")
        for other in order[1:]:
            merged(path, other)
        found.append(content(path))
        # The last two first.
        inner = shutil.copy(order[1], tmp_path / f"last-two-{turn}.db")
        merged(inner, order[2])
        path = shutil.copy(order[0], tmp_path / f"first-{turn}.db")
        merged(path, inner)
        found.append(content(path))
    assert all(each == found[0] for each in found)
    spans = [(row[3], row[4]) for row in found[0]["losses"]]
    assert sorted(spans) == [(4, 7), (9, 12), (20, 28), (40, 41), (43, 44), (60, 61)]
