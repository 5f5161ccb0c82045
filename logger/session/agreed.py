"""Which boards on the air may be used: those that the fitter once agreed to."""

from __future__ import annotations

from logger.errors import UsageError
from logger.links.open import ble_target, scheme_of
from logger.store.store import Store


def agreed_board(store: Store, url: str) -> tuple[str, str | None] | None:
    """Return where to log from and the board id that must answer there; None if not agreed to.

    Parameters
    ----------
    store
        Where agreements are kept.
    url
        ``ble://`` with a name, an address or an id; any other needs no agreement, since nobody
        plugs in a board by accident.
    """
    if scheme_of(url) != "ble":
        return url, None
    target = ble_target(url).casefold()
    known = [
        one for one in store.agreed_boards() if target in (one.key.casefold(), one.name.casefold())
    ]
    if len(known) != 1:
        return None
    key = known[0].key
    # An address has colons, or dashes on macOS; a board id has neither.
    return f"ble://{key}", None if ":" in key or "-" in key else key


def need_agreement(store: Store, url: str) -> tuple[str, str | None]:
    """Return what `agreed_board` does.

    Raises
    ------
    UsageError
        The fitter never agreed to this board.
    """
    known = agreed_board(store, url)
    if known is None:
        target = ble_target(url)
        named = f'"{target}"' if " " in target else target
        raise UsageError(
            f"{url} was never used with this data file; if it is yours, run once: "
            f"lieboard boards --accept {named}"
        )
    return known
