"""Two data files that began as one, and the merging of each into the other."""

import itertools
import shutil

import pytest

from logger.store.copies.merge import MergingStore
from logger.store.store import Store


@pytest.fixture
def pair(new_file, writer, start_ns):
    """A file, and one that began as its copy; then each went on by itself."""
    one = new_file("one.db")
    with Store.open(one) as store:
        w = writer(store)
        own = w.set()
        boot = w.boot()
        session = w.session(own)
        store.sessions.add_turn(session, w.clubs(own)["7i"], from_utc_ns=start_ns, cause="start")
        w.strikes(session, boot, range(4))
    another = shutil.copy(one, one.with_name("another.db"))
    return one, another


def _merged(own, other, rework=lambda *_: None):
    with MergingStore.open(own) as store:
        return store.merge(other, rework)


@pytest.fixture(scope="session")
def merged():
    """Take one file into another; tell what that did."""
    return _merged


@pytest.fixture(scope="session")
def both_ways(content):
    """Merge each into a copy of the other, twice; return what is in them."""
    counter = itertools.count()

    def both(folder, one, another):
        found = []
        for own, other in ((one, another), (another, one)):
            path = folder / f"merged-{next(counter)}.db"
            shutil.copy(own, path)
            before = other.read_bytes()
            _merged(path, other)
            once = content(path)
            again = _merged(path, other)
            assert content(path) == once
            assert (again.added, again.changed) == ({}, {})
            assert other.read_bytes() == before
            found.append(once)
        return found

    return both
