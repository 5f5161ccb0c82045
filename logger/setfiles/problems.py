"""All that is wrong with one set file, told in one line."""

from __future__ import annotations

from logger.errors import ConfigError

# More than a person mends in one go; the rest is counted.
_SHOWN = 12
# What a file has is quoted in its problems, and may be a page long.
_LONGEST = 240


class Problems:
    """Collects problems of one file, so that a person sees them all at once."""

    def __init__(self, file_name: str) -> None:
        self._file_name = file_name
        self._found: list[str] = []

    def __bool__(self) -> bool:
        return bool(self._found)

    def add(self, place: str, text: str) -> None:
        """Note a problem at a place such as ``row 3, column 'Lie'``; an empty place = the file."""
        told = f"{place}: {text}" if place else text
        told = "".join(each if each.isprintable() else "?" for each in told)
        self._found.append(told if len(told) <= _LONGEST else f"{told[: _LONGEST - 3]}...")

    def error(self) -> ConfigError:
        """Make the error that names them all."""
        shown = self._found[:_SHOWN]
        if len(self._found) > _SHOWN:
            shown.append(f"and {len(self._found) - _SHOWN} more")
        count = "" if len(self._found) == 1 else f"{len(self._found)} problems: "
        return ConfigError(f"{self._file_name}: {count}{'; '.join(shown)}")

    def raise_if_any(self) -> None:
        """Raise `ConfigError` if anything was noted."""
        if self._found:
            raise self.error()
