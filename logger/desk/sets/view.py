"""The set: what is in the bag, in a table that one types and pastes into."""

from __future__ import annotations

import hashlib
from dataclasses import replace

from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from logger.desk.sets.table import (
    COLUMNS,
    MATERIALS,
    SetTable,
    file_of,
    labels_of,
    read_pasted,
    read_table,
    read_upload,
    table_from_form,
    table_of,
    table_of_file,
)
from logger.desk.shell.desk import Ask, Desk, view
from logger.desk.shell.uploads import file_in, sent_form
from logger.errors import ConfigError, UsageError
from logger.session.corrections.acts import Said
from logger.session.corrections.sets import ImportPlan, import_set, plan_import
from logger.session.results.missing import missing_values
from logger.session.results.set_file import set_as_csv, set_as_toml
from logger.setfiles.clubs import SetFile
from logger.store.rows import SetRow
from logger.store.store import Store

# A set file is a few kilobytes; the form's other fields and its frame come on top.
_MOST_UPLOAD_BYTES = 210_000


def seen_mark(own: SetRow) -> str:
    """Return what stands for a set as somebody saw it; any change makes it another."""
    return hashlib.sha256(repr(own).encode()).hexdigest()[:16]


def sets_routes(desk: Desk) -> list[Route]:
    """Return the routes of the view, and those that make a new player."""

    def table_page(ask: Ask, table: SetTable, status: int = 200, **more: object) -> Response:
        values: dict[str, object] = {
            "own": None, "missing": (), "seen": "", "changed": "", "wide": True,
            "trouble": "", "pasted": "", "kept": "",
        }  # fmt: skip
        return ask.page(
            "sets/set.html", status, table=table, columns=COLUMNS, materials=MATERIALS,
            **(values | more),
        )  # fmt: skip

    async def set_page(ask: Ask) -> Response:
        own = await ask.house.read(lambda store: store.sets.get(ask.number()))
        table = table_of(own, ask.units)
        return table_page(
            ask, table, own=own, missing=missing_values(own.clubs), seen=seen_mark(own),
            kept=ask.query.get("kept", ""),
        )  # fmt: skip

    async def change(ask: Ask) -> Response:
        """Show what typed cells would change, or keep it."""
        own = await ask.house.read(lambda store: store.sets.get(ask.number()))
        table = table_from_form(ask.form)
        table = replace(table, player=own.player.name, name=own.name)
        return await offered(ask, own, table)

    async def offered(ask: Ask, own: SetRow, table: SetTable) -> Response:
        shown = table_of(own, ask.units)
        seen, now = ask.form.get("seen", ""), seen_mark(own)
        common = {"own": own, "missing": missing_values(own.clubs), "seen": now}
        if ask.form.get("units", ask.units.name) != ask.units.name:
            words = "mm or inches was changed in another window: look over the lengths again"
            return table_page(ask, table, 409, trouble=words, **common)
        read, table = read_table(table, ask.units, shown)
        if read is None:
            return table_page(ask, table, 400, **common)
        plan = await ask.house.read(lambda store: plan_import(store, read))
        if seen and seen != now:
            words = (
                "The set was changed meanwhile, in another window or by another program. What you "
                "typed still stands here; below is what it would change now."
            )
            return review(ask, own, table, plan, 409, trouble=words)
        how = ask.form.get("how", "")
        if not how or not plan.rows:
            return review(ask, own, table, plan)
        if how == "changed" and any(not row.is_addition for row in plan.rows):
            since = ask.form.get("since", "").strip()
        else:
            since = ""
        await keep(ask, plan, how, since)
        return ask.to(f"/sets/{own.id}?kept=1")

    def review(
        ask: Ask, own: SetRow | None, table: SetTable, plan: ImportPlan, status: int = 200,
        trouble: str = "",
    ) -> Response:  # fmt: skip
        return ask.page(
            "sets/review.html", status, own=own, table=table, columns=COLUMNS, plan=plan,
            trouble=trouble, seen="" if own is None else seen_mark(own),
            only_more=all(row.is_addition for row in plan.rows),
        )  # fmt: skip

    async def keep(ask: Ask, plan: ImportPlan, how: str, since: str = "") -> str:
        def work(store: Store, said: Said) -> str:
            fresh = plan_import(store, plan.read)
            at = None
            if how == "changed":
                at = _moment(since, said.utc_ns) if since else said.utc_ns
            return import_set(store, fresh, said, correct=how == "correct", changed_utc_ns=at)

        return await ask.house.act(work)

    async def take_file(ask: Ask) -> Response:
        """Put a set file that was sent into the table, to be looked at first."""
        own = await ask.house.read(lambda store: store.sets.get(ask.number()))
        form = await sent_form(ask, _MOST_UPLOAD_BYTES)
        if ask.form.get("pasted", "").strip():
            name, data = "what was pasted.csv", ask.form["pasted"].encode()
        else:
            name, file = file_in(form, "file")
            data = file.read()
        try:
            read = read_upload(
                data, name, player=own.player.name, hand=own.player.hand, name=own.name
            )
        except ConfigError as error:
            return table_page(
                ask, table_of(own, ask.units), 400, own=own, trouble=str(error),
                missing=missing_values(own.clubs), seen=seen_mark(own),
                pasted=ask.form.get("pasted", ""),
            )  # fmt: skip
        return await offered(ask, own, table_of_file(read, ask.units))

    # -- a player who is not there yet ----------------------------------------------------------

    async def new(ask: Ask) -> Response:
        labels = labels_of(ask.query.get("clubs", ""))
        rows = tuple({one.name: "" for one in COLUMNS} | {"label": label} for label in labels)
        table = SetTable(
            player=ask.query.get("player", ""), hand=ask.query.get("hand", "right"),
            name=ask.query.get("name", "irons"), step="0.5", rows=rows,
        )  # fmt: skip
        return table_page(ask, table)

    async def make(ask: Ask) -> Response:
        table = table_from_form(ask.form)
        if ask.form.get("units", ask.units.name) != ask.units.name:
            words = "mm or inches was changed in another window: look over the lengths again"
            return table_page(ask, table, 409, trouble=words)
        if ask.form.get("fill"):
            labels = labels_of(ask.form["fill"])
            known = {row["label"].casefold() for row in table.rows}
            empty = {one.name: "" for one in COLUMNS}
            more = tuple(
                empty | {"label": label} for label in labels if label.casefold() not in known
            )
            return table_page(ask, replace(table, rows=(*table.rows, *more)))
        read, table = read_table(table, ask.units)
        if read is None:
            return table_page(ask, table, 400)
        return await made(ask, table, read)

    async def made(ask: Ask, table: SetTable, read: SetFile) -> Response:
        plan = await ask.house.read(lambda store: plan_import(store, read))
        if (plan.doubt or plan.set_id is not None) and ask.form.get("how") is None:
            return review(ask, None, table, plan)
        await keep(ask, plan, ask.form.get("how", "more"))
        made = await ask.house.read(lambda store: store.sets.find(read.player, read.name))
        return ask.to(f"/sets/{made}?kept=new")

    async def new_from_file(ask: Ask) -> Response:
        form = await sent_form(ask, _MOST_UPLOAD_BYTES)
        table = table_from_form(ask.form)
        pasted = ask.form.get("pasted", "")
        try:
            if pasted.strip():
                read = read_pasted(pasted, player=table.player, hand=table.hand, name=table.name)
            else:
                name, file = file_in(form, "file")
                read = read_upload(file.read(), name, player=table.player, hand=table.hand)
        except (ConfigError, UsageError) as error:
            return table_page(ask, table, 400, trouble=str(error), pasted=pasted)
        # Looked at before it is kept: it stands in the table now, with all that was understood.
        return table_page(
            ask, table_of_file(read, ask.units),
            changed="Taken from the file: look it over, then save."
            + (f" Not understood and left out: {', '.join(read.ignored)}." if read.ignored else ""),
        )  # fmt: skip

    # -- out of the desk --------------------------------------------------------------------------

    async def as_csv(ask: Ask) -> Response:
        own = await ask.house.read(lambda store: store.sets.get(ask.number()))
        text = set_as_csv(file_of(own), inches=ask.units.inches)
        return _download(text, f"set-{own.id}.csv", "text/csv")

    async def as_toml(ask: Ask) -> Response:
        own = await ask.house.read(lambda store: store.sets.get(ask.number()))
        return _download(set_as_toml(file_of(own)), f"set-{own.id}.toml", "application/toml")

    return [
        *view(desk, "/players/new", new, make),
        *view(desk, "/players/new/file", None, new_from_file),
        *view(desk, "/sets/{number:int}", set_page, change),
        *view(desk, "/sets/{number:int}/file", None, take_file),
        *view(desk, "/sets/{number:int}.csv", as_csv),
        *view(desk, "/sets/{number:int}.toml", as_toml),
    ]


def _moment(day: str, now_utc_ns: int) -> int:
    """Read a day of this machine's calendar; return UTC ns of its beginning."""
    import datetime

    try:
        moment = datetime.datetime.fromisoformat(day)
    except ValueError:
        raise UsageError(f"{day} is no date: choose one, or leave it empty for today") from None
    utc_ns = round(moment.astimezone(datetime.UTC).timestamp()) * 10**9
    if utc_ns > now_utc_ns:
        raise UsageError(f"{day} lies in the future: check the date; nothing was changed")
    return utc_ns


def _download(text: str, name: str, kind: str) -> Response:
    return PlainTextResponse(
        text, media_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'}
    )
