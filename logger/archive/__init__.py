"""Millions of strikes of many shops as a Parquet data set: format `lieboard archive 1`.

An archive is a folder::

    index.parquet                       one row per session: the only list of what counts
    strikes/month=2026-11/shop=North/part-00000012.parquet     contacts
    sessions/month=.../shop=.../part-00000012.parquet          what the analysis of each rests on
    records/month=.../shop=.../part-00000012.parquet           what the boards sent, untouched
    writer.lock                         held while somebody writes

``month`` is that of the session's beginning (UTC), so a session lies in one place; ``shop`` is
percent-encoded as in an address. Parts are never changed. A session that changed (more strikes, a
contact set aside or brought in, a club bent) is written again, whole, into a new part, and
``index.parquet`` then names the new copy: the newest wins, and nothing is there twice. Writing the
index and renaming it into place is the one step that makes a run count; a run that was cut off
before it leaves parts that nothing names, which the next run clears away. ``compact`` puts the
copies that count into one part per month and shop. What the index names no more stays until the
run after, for those who are just reading it.

A session is named by (shop, player, set, started_utc_ns), in any data file.

``index.parquet``:

============== ========= ======================================================================
copy           integer   names this copy of the session; rows of other copies do not count
run            integer   number of the part that holds it
month, shop    text      where that part lies
bay            text      where it was logged; missing = by the shop's own data file
player, set    text
started_utc_ns integer   when the session began
stamp          integer   of the data file at that moment: any change gives another
contacts       integer   rows in ``strikes``
records        integer   rows in ``records``
============== ========= ======================================================================

``strikes`` has ``copy`` and the columns of `logger.session.results.export` (``struck_utc`` as a
timestamp of nanoseconds; ``number`` is missing in parts written before it was there; ``session``
and ``id`` are left out, which are row numbers of one data file), then what names a contact in any
data file and what was said of it: ``started_utc_ns``, ``board``, ``boot``, ``first_sequence``,
``last_sequence``, ``within``, ``flags``, ``toe_u_mm``, ``rule_reason``, ``fitter_choice``,
``fitter_reason``, ``audits_board``, ``audits_boot``, ``audits_first_sequence``, ``audits_within``.

``sessions`` has ``copy`` and ``content``: JSON of `logger.store.copies.columns`, without
``strikes`` and ``marks``. ``records`` has ``copy``, ``board``, ``boot``, ``sequence``, ``kind``,
``raw`` (each body after its length, u16 little-endian), ``flags``, ``arrival_ns``,
``struck_utc_ns``, ``struck_u_ns``.

A new column does not change the format's number; another meaning of an old one does. It stands in
the metadata of ``index.parquet`` under ``lieboard``.
"""
