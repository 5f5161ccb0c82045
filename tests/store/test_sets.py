"""Sets, and what was known of a club when."""

from dataclasses import replace

import pytest

from logger.errors import StoreError
from logger.setfiles.clubs import Club, ClubSpec
from logger.store.sets import changed_spec, merge_specs

DAY = 86_400 * 10**9


def with_spec(set_file, label, **values):
    clubs = tuple(
        Club(club.label, replace(club.spec, **values)) if club.label == label else club
        for club in set_file.clubs
    )
    return replace(set_file, clubs=clubs)


def test_a_set_comes_back_as_its_file_has_it(store, set_id, set_file):
    found = store.sets.get(set_id)
    assert (found.player.name, found.player.hand, found.name) == (
        "Robin Ashdown",
        "right",
        "Weekend irons",
    )
    assert found.machine_increment_deg == 0.5
    assert [Club(club.label, club.spec) for club in found.clubs] == list(set_file.clubs)
    assert [club.position for club in found.clubs] == [0, 1, 2]
    assert found.pivot_club == found.clubs[1].id


def test_the_same_file_again_changes_nothing(store, set_id, set_file, start_utc_ns):
    assert store.sets.import_file(set_file, at_utc_ns=start_utc_ns + DAY) == set_id
    for club in store.sets.get(set_id).clubs:
        assert len(store.clubs.spec_history(club.id)) == 1


def test_only_what_changed_gets_a_dated_row(store, set_id, set_file, clubs, start_utc_ns):
    store.sets.import_file(with_spec(set_file, "6i", lie_deg=61.0), at_utc_ns=start_utc_ns + DAY)
    store.sets.import_file(
        with_spec(set_file, "6i", lie_deg=61.0, loft_deg=30.0), at_utc_ns=start_utc_ns + 2 * DAY
    )
    assert store.clubs.spec_history(clubs["6i"])[1:] == [
        (start_utc_ns + DAY, "set file", ClubSpec(lie_deg=61.0)),
        (start_utc_ns + 2 * DAY, "set file", ClubSpec(loft_deg=30.0)),
    ]
    assert len(store.clubs.spec_history(clubs["7i"])) == 1
    lies = [
        store.sets.get(set_id, at_utc_ns=start_utc_ns + days * DAY).clubs[0].spec.lie_deg
        for days in (-1, 0, 1, 2)
    ]
    assert lies == [None, 61.5, 61.0, 61.0]
    assert store.clubs.get(clubs["6i"]).spec.length_mm == 952.5


def test_an_untouched_file_does_not_undo_a_bend(store, set_id, set_file, clubs, start_utc_ns):
    store.readings.add_bend(clubs["7i"], bent_utc_ns=start_utc_ns + DAY, planned_bend_deg=-1.0,
                   lie_before_deg=62.0, lie_after_deg=61.1, note="two steps")  # fmt: skip
    store.sets.import_file(set_file, at_utc_ns=start_utc_ns + 2 * DAY)
    assert store.clubs.spec_of(clubs["7i"]).lie_deg == 61.1
    assert store.clubs.spec_of(clubs["7i"]).head_material == "forged"
    # but a number typed again into the file counts
    store.sets.import_file(
        with_spec(set_file, "7i", lie_deg=61.3), at_utc_ns=start_utc_ns + 3 * DAY
    )
    assert store.clubs.spec_of(clubs["7i"]).lie_deg == 61.3
    (bend,) = store.readings.bends(clubs["7i"])
    assert (bend.planned_bend_deg, bend.lie_after_deg, bend.note) == (-1.0, 61.1, "two steps")
    assert bend.session is None
    assert store.readings.bends() == [bend]
    assert store.readings.bends(clubs["6i"]) == []


def test_blanks_change_nothing_and_zero_takes_a_bias_back(
    store, set_id, set_file, clubs, start_utc_ns
):
    bare = replace(set_file, clubs=tuple(Club(c.label, ClubSpec()) for c in set_file.clubs),
                   machine_increment_deg=None)  # fmt: skip
    store.sets.import_file(bare, at_utc_ns=start_utc_ns + DAY)
    assert [Club(c.label, c.spec) for c in store.sets.get(set_id).clubs] == list(set_file.clubs)
    assert store.sets.get(set_id).machine_increment_deg == 0.5
    store.sets.import_file(
        with_spec(set_file, "PW", bias=0.0, bias_unit="mm"), at_utc_ns=start_utc_ns + 2 * DAY
    )
    assert store.clubs.spec_of(clubs["PW"]).bias == 0.0


def test_a_club_left_out_keeps_its_past_and_may_come_back(
    store, set_id, set_file, clubs, start_utc_ns
):
    fewer = replace(set_file, clubs=set_file.clubs[1:])
    store.sets.import_file(fewer, at_utc_ns=start_utc_ns + DAY)
    assert [club.label for club in store.sets.get(set_id).clubs] == ["7i", "PW"]
    gone = store.clubs.get(clubs["6i"])
    assert (gone.position, gone.spec.lie_deg) == (None, 61.5)
    assert store.sets.all()[0].clubs == 2
    # labels are the same club whatever their case
    lower = replace(set_file, clubs=(Club("6I", ClubSpec()), *set_file.clubs[1:]))
    store.sets.import_file(lower, at_utc_ns=start_utc_ns + 2 * DAY)
    assert next((c.id, c.label) for c in store.sets.get(set_id).clubs) == (clubs["6i"], "6I")


def test_measured_values_and_what_is_no_news(store, set_id, clubs, start_utc_ns):
    measured = ClubSpec(camber_mm=287.0, camber_u_mm=6.0)
    assert store.clubs.add_spec(
        clubs["6i"], measured, at_utc_ns=start_utc_ns + DAY, source="measured"
    )
    assert not store.clubs.add_spec(
        clubs["6i"], measured, at_utc_ns=start_utc_ns + 2 * DAY, source="measured"
    )
    assert not store.clubs.add_spec(
        clubs["6i"], ClubSpec(), at_utc_ns=start_utc_ns, source="measured"
    )
    assert store.clubs.spec_of(clubs["6i"]).camber_u_mm == 6.0
    assert store.clubs.spec_history(clubs["6i"])[-1] == (start_utc_ns + DAY, "measured", measured)


def test_values_that_belong_together_change_together():
    known = ClubSpec(camber_mm=300, camber_u_mm=15, bias=2, bias_unit="mm", lie_deg=62)
    # a new camber does not keep the old one's uncertainty
    assert merge_specs([known, ClubSpec(camber_mm=280)]) == replace(
        known, camber_mm=280, camber_u_mm=None
    )
    assert changed_spec(known, ClubSpec(camber_mm=300)) is None
    assert changed_spec(known, ClubSpec(camber_mm=300, camber_u_mm=5)) == ClubSpec(
        camber_mm=300, camber_u_mm=5
    )
    assert changed_spec(known, ClubSpec(bias=2, bias_unit="deg", lie_deg=62)) == ClubSpec(
        bias=2, bias_unit="deg"
    )
    assert merge_specs([]) == ClubSpec()


def test_players_and_sets_by_name(store, set_id, set_file, start_utc_ns):
    spare = store.sets.import_file(replace(set_file, name="Spare"), at_utc_ns=start_utc_ns)
    left = store.sets.import_file(
        replace(set_file, player="Mika Tarn", hand="left"), at_utc_ns=start_utc_ns
    )
    assert [(p.name, p.hand) for p in store.sets.players()] == [
        ("Mika Tarn", "left"),
        ("Robin Ashdown", "right"),
    ]
    assert [(s.player, s.name, s.id) for s in store.sets.all()] == [
        ("Mika Tarn", "Weekend irons", left),
        ("Robin Ashdown", "Spare", spare),
        ("Robin Ashdown", "Weekend irons", set_id),
    ]
    assert store.sets.find("mika tarn") == left
    assert store.sets.find("Robin Ashdown", "SPARE") == spare
    with pytest.raises(
        StoreError,
        match="name one of the sets of Robin Ashdown with --set: Spare, Weekend irons",
    ):
        store.sets.find("Robin Ashdown")
    with pytest.raises(
        StoreError, match=r"no set of Ann is stored \(players: Mika Tarn, Robin Ashdown\)"
    ):
        store.sets.find("Ann")


def test_what_is_not_there_is_named(store):
    with pytest.raises(StoreError, match="no set 5"):
        store.sets.get(5)
    with pytest.raises(StoreError, match="no club 5"):
        store.clubs.get(5)


def test_an_import_that_fails_changes_nothing(store, set_id, set_file, start_utc_ns):
    before = store.sets.get(set_id)
    wrong = with_spec(replace(set_file, hand="left"), "PW", bias=1.0, bias_unit="furlong")
    with pytest.raises(StoreError, match="nothing of it was stored"):
        store.sets.import_file(wrong, at_utc_ns=start_utc_ns + DAY)
    assert store.sets.get(set_id) == before
