"""Take another data file in, and work out again what its records and ours say together."""

from __future__ import annotations

from pathlib import Path

from logger.session.logging.fitting import FittingSession
from logger.store.copies.merge import MergeReport, MergingStore


def merge_file(own: Path, other: Path) -> MergeReport:
    """Take the data file ``other`` into ``own``: all of it or nothing; ``other`` is not touched.

    Raises
    ------
    StoreError
        With one line that says what to do; ``own`` is then as it was.
    """
    with MergingStore.open(own) as store:
        return store.merge(
            other, lambda session, boot: FittingSession(store, session).rebuild(boot)
        )
