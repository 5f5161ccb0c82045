"""Every error a person can meet, with the exit code it ends the program with.

::

    LieboardError              exit 1
    ├── UsageError             exit 2   what was asked for makes no sense
    ├── ConfigError            exit 2   a set file or a setting is wrong
    ├── LinkError              exit 3   the way to the board
    │   ├── LinkOpenError               missing, busy, not permitted
    │   ├── LinkClosedError             it was open and is gone
    │   └── LinkTimeoutError            nothing came in time (also a TimeoutError)
    ├── ProtocolError          exit 3   what speaks there is not a board we can use
    │   └── StrangeBoardError           it is one, and nobody agreed to use it
    └── StoreError             exit 4   the data file
        ├── SchemaVersionError          written by a newer version
        ├── OlderFileError              of an older version, opened for reading only
        └── UnfitCopyError              a copy from elsewhere that does not fit into it

A message is one line that says what is wrong and what to do. It names the port, file, row or cell.
"""

from __future__ import annotations


class LieboardError(Exception):
    """Root of all errors that are meant for a person."""

    exit_code = 1


class UsageError(LieboardError):
    """A request that cannot be met as it stands."""

    exit_code = 2


class ConfigError(LieboardError):
    """A set file or a setting that cannot be used."""

    exit_code = 2


class LinkError(LieboardError):
    """The way to the board failed."""

    exit_code = 3


class LinkOpenError(LinkError):
    """A link could not be opened: missing, busy or not permitted."""


class LinkClosedError(LinkError):
    """A link that was open is gone."""


class LinkTimeoutError(LinkError, TimeoutError):
    """Nothing arrived in the time allowed."""


class ProtocolError(LieboardError):
    """The other side speaks something this program cannot use."""

    exit_code = 3


class StrangeBoardError(ProtocolError):
    """A board that nobody agreed to use; nothing of it was asked for, stored or confirmed."""

    def __init__(self, message: str, *, key: str, name: str) -> None:
        super().__init__(message)
        self.key = key
        """Id of the board, or ``text:NAME``."""
        self.name = name


class StoreError(LieboardError):
    """The data file cannot be opened, read or written."""

    exit_code = 4


class SchemaVersionError(StoreError):
    """The data file was written by a newer version of this program."""


class OlderFileError(StoreError):
    """The data file needs an upgrade, and it was opened for reading only."""


class UnfitCopyError(StoreError):
    """A copy of a session from elsewhere that cannot be taken in; nothing of it was."""
