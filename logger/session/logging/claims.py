"""Which board belongs to which bay while several are logged at once."""

from __future__ import annotations

from logger.collector.recording import BoardIdentity
from logger.errors import LinkError, UsageError


class BoardClaims:
    """A board that spoke at a bay is that bay's until the bay ends.

    Ports swap their names when cables are pulled and put back: a board that turns up at another
    bay would have its strikes filed under another player.
    """

    def __init__(self) -> None:
        self._bay_of: dict[str, str] = {}

    def take(self, bay: str, identity: BoardIdentity) -> None:
        """Note that a board speaks at a bay.

        Raises
        ------
        UsageError
            Another bay has it, and this one never had a board: the same board is on two ports.
        LinkError
            Another bay has it, and this one had a board of its own before: cables were swapped.
            Trying again later makes sense.
        """
        key, name = identity.board_key, identity.name
        owner = self._bay_of.get(key)
        if owner is not None and owner != bay:
            if bay in self._bay_of.values():
                raise LinkError(
                    f"{bay}: board {name} of {owner} speaks here now; nothing of it was stored. "
                    "Swap the cables back"
                )
            advice = "leave one of them out"
            if identity.hello is None:
                advice += ", or give each board a name of its own (b= in its lines)"
            raise UsageError(f"{bay} and {owner} are the same board, {name}: {advice}")
        self.release(bay)
        self._bay_of[key] = bay

    def release(self, bay: str) -> None:
        """Let another bay have what this one had."""
        self._bay_of = {key: owner for key, owner in self._bay_of.items() if owner != bay}
