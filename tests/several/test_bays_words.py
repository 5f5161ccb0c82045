"""What a bay's part of the screen says, worked out from a real file."""

import asyncio
import io

from rich.console import Console

from logger.cli.log.screen import screen
from logger.cli.log.terminal import TerminalBay
from logger.page.numbers import NumberWorks
from logger.session.logging.bays import Bay, BaysRun
from logger.session.logging.opening import Circumstances, open_session
from logger.session.logging.run import RunSettings
from logger.setfiles import load_set
from logger.store.store import Store

BEGIN_NS = 1_760_000_000_000_000_000
# A wish in metres, and no loft to know what a metre takes.
SET_FILE = """
player = "Ada Lindqvist"
hand = "right"
set = "irons"
[[club]]
label = "7i"
camber_mm = 300
bias = "2 m"
"""


async def test_a_wish_that_cannot_be_met_is_said_where_the_advice_stands(tmp_path):
    (tmp_path / "set.toml").write_text(SET_FILE)
    with Store.open(tmp_path / "a.db") as store, Store.open(store.path) as reading:
        store.sets.import_file(load_set(tmp_path / "set.toml"), at_utc_ns=BEGIN_NS)
        session = open_session(
            store, player=None, set_name=None, now_utc_ns=BEGIN_NS,
            circumstances=Circumstances(stance_mm=0.0), always_new=True,
        )  # fmt: skip
        for count in range(3):
            store.strikes.add_mark(
                session.row.id, session.set.clubs[0].id,
                struck_utc_ns=BEGIN_NS + count, toe_mm=4.0 + count, u_mm=1.0,
            )  # fmt: skip
        bay = Bay("window", session, RunSettings("socket://127.0.0.1:9"))
        with NumberWorks(store.path) as works:
            desk = TerminalBay(bay, reading, works)
            looking = asyncio.gather(desk.look(BaysRun([bay], lambda *_: None)), desk.work_out())
            while not desk.book.advice:
                assert not looking.done(), looking.exception()
                await asyncio.sleep(0.01)
            looking.cancel()
        out = io.StringIO()
        Console(file=out, width=160, height=40).print(screen([desk.book]))
    shown = " ".join(out.getvalue().split())
    # What there is all the same, and what is missing for the rest.
    assert "3 used, 0 set aside" in shown
    assert "next: 7i: a wish in metres needs the metres per degree, and those the loft" in shown
