"""What a shop has of a data file is not carried into another one by a merge."""

from logger.session.logging.rework import merge_file


def test_a_merged_file_forwards_what_came_in(bay, queue, bay_at, tmp_path, start_ns, day_ns):
    while (parcel := queue.next_parcel(utc_ms=1)) is not None:
        parcel.kept()
    second = bay_at(tmp_path / "second.db", seed=2)
    second.begin(second.player("Ada Lindqvist"), start_ns + 5 * day_ns)
    second.swing("7i", 2)
    merge_file(second.path, bay.path)
    left = second.store.forwarding.progress("north")
    # All of both files: how far the shop has the first file says nothing of the second.
    assert (left.records_up_to, left.records_to_go, left.sessions_to_go) == (0, 32, 4)
    merge_file(bay.path, second.path)
    left = bay.store.forwarding.progress("north")
    assert (left.records_up_to, left.records_to_go) == (30, 2)
    assert left.sessions_to_go >= 1
