"""The shop's side without the network: a payload of a bay in, what is answered out."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from logger.errors import StoreError, UnfitCopyError
from logger.protocol.decoding import record_from_raw
from logger.protocol.records import Button, RawRecord, Reading, Record, Strike
from logger.shop.checks import BadMessageError
from logger.shop.messages import (
    BayAsk,
    BayRecords,
    FromShop,
    Here,
    Kept,
    Refused,
    SessionPiece,
    read_from_bay,
    session_copy,
)
from logger.store.copies.make import CarriedRecord, SessionName
from logger.store.copies.take_in import Origin
from logger.store.packing import unpack_raw
from logger.store.store import Store

# A bay sends one copy at a time; what it left half sent must not fill the memory.
_MOST_UNFINISHED: Final = 64
_KINDS: Final[dict[str, type[Record]]] = {"reading": Reading, "strike": Strike, "button": Button}


@dataclass(frozen=True, slots=True)
class _Timed:
    """A record as the store takes it."""

    sequence: int
    raw: RawRecord
    struck_utc_ns: int | None
    struck_u_ns: int | None


@dataclass(slots=True)
class _Unfinished:
    """Pieces of a copy that have come so far."""

    parts: int
    edition: int
    pieces: dict[int, bytes] = field(default_factory=dict)


@dataclass(slots=True)
class Gathered:
    """What was done so far."""

    records: int = 0
    """New ones."""
    sessions: int = 0
    """Copies stored, also of a session that was here before."""
    refused: int = 0


def _nobody(_: str) -> None:
    """Tell nobody."""


class Gatherer:
    """Stores what bays send and says what of it is on the disk.

    Parameters
    ----------
    store
        The shop's own data file, open for writing.
    shop
        Its name.
    new_key
        Names the data file if it has no name yet.
    tell
        Told in one line of what was refused; parts of it may be a stranger's words.
    """

    def __init__(
        self, store: Store, shop: str, new_key: str, tell: Callable[[str], None] = _nobody
    ) -> None:
        self._store = store
        self._shop = shop
        self._tell = tell
        self._file = store.forwarding.file_key(new_key)
        self._unfinished: OrderedDict[tuple[str, int], _Unfinished] = OrderedDict()
        self.done = Gathered()

    def take(self, bay: str, payload: bytes) -> FromShop | None:
        """Take one payload; what is answered is true when this returns.

        None: nothing is to be answered yet, or it cannot be told to what.

        Raises
        ------
        StoreError
            The data file cannot be written; the bay keeps what it has.
        """
        origin = Origin(self._shop, bay)
        number = None
        try:
            said = read_from_bay(payload)
            number = said.message
            if isinstance(said, BayAsk):
                return Here(number, self._file)
            if isinstance(said, BayRecords):
                return self._take_records(origin, said)
            return self._take_piece(origin, said)
        except BadMessageError as error:
            reason = error.reason
            number = number if number is not None else error.message
        except UnfitCopyError as error:
            reason = str(error)
        self.done.refused += 1
        self._tell(f"bay {bay}: refused: {reason}")
        return None if number is None else Refused(number, reason[:500])

    def _take_records(self, origin: Origin, said: BayRecords) -> FromShop:
        decoded = [_decoded(record) for record, _, _ in said.records]
        # Found before anything is stored, so that it is all or nothing.
        sessions: dict[SessionName | None, int | None] = {None: None}
        for name in {name for _, _, name in said.records}:
            if name is not None:
                found = self._store.copies.find(name)
                if found is None:
                    return Refused(said.message, "this session is not here", name)
                if self._store.copies.origin_of(found) != origin:
                    raise UnfitCopyError(f"session {found} is not one of this bay")
                sessions[name] = found
        new = 0
        for place, boot in enumerate(said.boots):
            rows = [
                (timed, sessions[name])
                for timed, (_, own, name) in zip(decoded, said.records, strict=True)
                if own == place
            ]
            if not rows:
                continue
            boot_id = self._store.copies.take_boot(boot)
            self._store.copies.note_boot_origin(boot_id, origin)
            for session in sorted({s for _, s in rows}, key=lambda s: s or 0):
                own = [timed for timed, s in rows if s == session]
                new += len(self._store.records.add(boot_id, own, session=session))
        self.done.records += new
        return Kept(said.message)

    def _take_piece(self, origin: Origin, said: SessionPiece) -> FromShop | None:
        key = (origin.bay, said.message)
        held = self._unfinished.setdefault(key, _Unfinished(said.parts, said.edition))
        if (held.parts, held.edition) != (said.parts, said.edition):
            del self._unfinished[key]
            raise BadMessageError("pieces of different copies have one number", said.message)
        held.pieces[said.part] = said.content
        while len(self._unfinished) > _MOST_UNFINISHED:
            self._unfinished.popitem(last=False)
        if len(held.pieces) < held.parts:
            return None
        del self._unfinished[key]
        copy = session_copy(b"".join(held.pieces[part] for part in range(held.parts)))
        self._store.copies.take_in(copy, origin=origin, edition=held.edition)
        self.done.sessions += 1
        return Kept(said.message)


def _decoded(record: CarriedRecord) -> _Timed:
    """Look whether raw bytes are the record that they are said to be."""
    what = f"record {record.sequence} of boot {record.boot}"
    try:
        bodies: Sequence[bytes] = unpack_raw(record.raw)
        read = record_from_raw(bodies)
    except (StoreError, ValueError) as error:
        raise BadMessageError(f"{what}: {error}") from error
    if not isinstance(read, _KINDS.get(record.kind, ())):
        raise BadMessageError(f"{what}: is no {record.kind}")
    if read.sequence not in (None, record.sequence):
        raise BadMessageError(f"{what}: its bytes say {read.sequence}")
    return _Timed(
        record.sequence,
        RawRecord(read, tuple(bodies), record.arrival_ns),
        record.struck_utc_ns,
        record.struck_u_ns,
    )
