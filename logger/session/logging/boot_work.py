"""Where the work on one boot's records stands: records into contacts, contacts into strikes."""

from __future__ import annotations

from analysis.conventions import Hand, toe_from_board
from analysis.strikes.sorting import Kind, Sorted, StrikeSorter
from logger.protocol.records import Flag, Reading, Strike
from logger.session.logging.cell_calibration import calibrations_of
from logger.session.logging.contacts_of import ContactReader
from logger.store.rows import NewStrike, SessionRow
from logger.store.store import Store

# What a strike was worked out with; goes up whenever the same records would give another answer.
METHOD_VERSION = "contact 1"


class BootWork:
    """The records of one boot in one session, as far as they were read."""

    def __init__(self, store: Store, session: SessionRow, boot: int) -> None:
        self.session = session
        self.reader = ContactReader(store.boards.hello_of(boot), calibrations_of(store, boot))
        self.sorter = StrikeSorter(self.reader.sort_rules())
        self.done_below = 0
        self.unfiled: set[int] = set()
        """Records of this session that are on disk and were not worked on yet."""
        self._struck_utc_ns: dict[int, int] = {}

    def sort(
        self,
        sequence: int = 0,
        record: Reading | Strike | None = None,
        utc_ns: int = 0,
        *,
        flush: bool = False,
        known: dict[int, list[Kind]] | None = None,
    ) -> list[Sorted]:
        """Read on, and sort what is complete; what is ``known`` only tells what is usual."""
        if flush or record is None:
            contacts = self.reader.flush()
        else:
            self._struck_utc_ns[sequence] = utc_ns
            contacts = self.reader.read(sequence, record, utc_ns)
        if not contacts:
            return []
        fresh: list[Sorted] = []
        for contact in contacts:
            kinds = known.get(contact.first_key) if known else None
            if kinds:
                self.sorter.recall(contact, kinds.pop())
            else:
                fresh.append(self.sorter.feed(contact))
        return fresh

    def new_strike(self, one: Sorted) -> NewStrike:
        """Describe a contact as the store takes it."""
        contact = one.contact
        utc_ns = self._struck_utc_ns[contact.first_key]
        for sequence in [s for s in self._struck_utc_ns if s <= contact.last_key]:
            del self._struck_utc_ns[sequence]
        readable = one.kind is not Kind.UNREADABLE
        return NewStrike(
            first_sequence=contact.first_key,
            last_sequence=contact.last_key,
            struck_utc_ns=utc_ns,
            kind=one.kind.value,
            toe_mm=self._toe_mm(contact.board_mm) if readable else None,
            board_mm=contact.board_mm if readable else None,
            trail_mm=contact.trail_mm,
            load=contact.load,
            span_us=contact.span_us,
            flags=int(self.reader.flags_of(contact) & Flag(0xFFFF)),
            method_version=self.reader.method_of(METHOD_VERSION, utc_ns),
            rule_reason=None if one.kind is Kind.STRIKE else one.reason,
        )

    def _toe_mm(self, board_mm: float) -> float:
        hand, middle_mm = Hand(self.session.hand), self.session.sole_middle_mm
        return float(toe_from_board(board_mm, hand, middle_mm))
