"""Which boards may be used: those that the fitter once agreed to.

Anybody can advertise a lie board, and any device may hang on a port. A board is known by its id
(by its name if it speaks text); one that is not agreed to is named and left alone: nothing of it is
asked for, stored or confirmed, so it still has everything once it is agreed to.
"""

from __future__ import annotations

from logger.collector.recording import BoardIdentity
from logger.errors import ProtocolError, StrangeBoardError, UsageError
from logger.links.open import ble_target, comes_back, scheme_of
from logger.store.boards import AgreedBoard
from logger.store.store import Store


def agreed_board(store: Store, url: str) -> tuple[str, str | None] | None:
    """Return where to log from and the board id that must answer there; None if not agreed to.

    Parameters
    ----------
    store
        Where agreements are kept.
    url
        ``ble://`` with a name, an address or an id; of any other only the board itself can say who
        it is, and `BoardGate` asks it.
    """
    if scheme_of(url) != "ble":
        return url, None
    target = ble_target(url).casefold()
    known = [
        one for one in store.agreed.all() if target in (one.key.casefold(), one.name.casefold())
    ]
    if len(known) != 1:
        return None
    key = known[0].key
    # An address has colons, or dashes on macOS; a board id has neither.
    return f"ble://{key}", known[0].board_key if ":" in key or "-" in key else key


def need_agreement(store: Store, url: str) -> tuple[str, str | None]:
    """Return what `agreed_board` does.

    Raises
    ------
    UsageError
        The fitter never agreed to this board.
    """
    known = agreed_board(store, url)
    if known is None:
        raise UsageError(
            f"{url} was never used with this data file; if it is yours, run once: "
            f"{how_to_accept(url)}"
        )
    return known


def how_to_accept(url: str) -> str:
    """Return the command that agrees to the board at a URL."""
    target = ble_target(url) if scheme_of(url) == "ble" else url
    return f'lieboard boards --accept "{target}"' if " " in target else (
        f"lieboard boards --accept {target}"
    )  # fmt: skip


class BoardGate:
    """Lets boards through that were agreed to; asked before anything of a board is stored.

    Parameters
    ----------
    store
        Where agreements are kept.
    url
        Where the board answers. A recording is let through: somebody chose the file, nothing can
        take its place, and nothing is confirmed to it.
    accept
        Agree to one board that was never used.
    """

    def __init__(self, store: Store, url: str, *, accept: bool = False) -> None:
        self._store = store
        self._url = url
        self._accept = accept
        self._is_recording = not comes_back(url)

    def let_in(self, identity: BoardIdentity, at_utc_ns: int) -> None:
        """Return if the board may be used.

        Raises
        ------
        StrangeBoardError
            Nobody agreed to it.
        ProtocolError
            Another board answered at this address before.
        """
        if self._is_recording:
            return
        agreed = self._store.agreed.all()
        if any(identity.board_key in (one.key, one.board_key) for one in agreed):
            return
        address = self._address_in(agreed)
        if address is not None:
            if address.board_key is not None:
                raise ProtocolError(
                    f"{self._url} is board {identity.board_key} ({identity.name}) and not the "
                    f"agreed {address.board_key}: nothing of it was stored"
                )
            self._store.agreed.note_who_answered(address.key, identity.board_key)
            return
        if not self._accept:
            raise StrangeBoardError(
                f"{self._url} is board {identity.board_key} ({identity.name}), which was never "
                "used with this data file: nothing of it was asked for or stored. If it is "
                f"yours, run once: {how_to_accept(self._url)}",
                key=identity.board_key,
                name=identity.name,
            )
        self._accept = False
        self._store.agreed.add(identity.board_key, identity.name, at_utc_ns=at_utc_ns)

    def _address_in(self, agreed: list[AgreedBoard]) -> AgreedBoard | None:
        """Return the agreement to whatever answers at this address on the air."""
        if scheme_of(self._url) != "ble":
            return None
        target = ble_target(self._url).casefold()
        return next((one for one in agreed if one.key.casefold() == target), None)
