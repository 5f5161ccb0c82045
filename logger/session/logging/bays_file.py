"""What is wanted of each bay, from a file that a shop writes once.

::

    [[bay]]
    name = "window"            # left out: bay 1, bay 2, ...
    port = "/dev/ttyACM0"      # or ble://NAME, socket://HOST:PORT, ...
    player = "Robin Ashdown"
    set = "Weekend irons"      # if the player has several
    club = "7i"                # to begin with; else the pivot
    stance_mm = 0              # stance_u_mm, sole_middle_mm, sole_middle_u_mm, ball, surface
    left = false
    baud = 115200              # trigger, capture
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from logger.errors import ConfigError
from logger.session.logging.opening import DELIVERY_U_MM, STANCE_U_MM, Circumstances


@dataclass(frozen=True, slots=True, kw_only=True)
class BayWish:
    """One bay, as asked for."""

    name: str
    port: str
    player: str | None = None
    set_name: str | None = None
    club: str | None = None
    stance_mm: float | None = None
    stance_u_mm: float = STANCE_U_MM
    sole_middle_mm: float | None = None
    sole_middle_u_mm: float = DELIVERY_U_MM
    ball: bool = True
    surface: str | None = None
    left: bool = False
    baud: int = 115_200
    trigger: int | None = None
    capture: Path | None = None

    @property
    def circumstances(self) -> Circumstances:
        """What its session is begun with."""
        return Circumstances(
            hand="left" if self.left else None,
            stance_mm=self.stance_mm,
            stance_u_mm=self.stance_u_mm,
            sole_middle_mm=self.sole_middle_mm or 0.0,
            sole_middle_u_mm=self.sole_middle_u_mm,
            ball=self.ball,
            surface=self.surface,
        )


_KINDS: dict[str, tuple[type, ...]] = {
    **dict.fromkeys(("name", "port", "player", "set", "club", "surface", "capture"), (str,)),
    **dict.fromkeys(
        ("stance_mm", "stance_u_mm", "sole_middle_mm", "sole_middle_u_mm"), (int, float)
    ),
    **dict.fromkeys(("ball", "left"), (bool,)),
    **dict.fromkeys(("baud", "trigger"), (int,)),
}
_WORDS = {str: "text in quotes", bool: "true or false", int: "a whole number", float: "a number"}


def read_bays(path: Path) -> list[BayWish]:
    """Read a file of bays.

    Raises
    ------
    ConfigError
        Naming the file, the bay and what is wrong with it.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path}: {error}") from error
    entries = content.pop("bay", None)
    if content:
        raise ConfigError(f"{path}: {', '.join(content)}: only [[bay]] can stand here")
    if not isinstance(entries, list) or not entries:
        raise ConfigError(f"{path}: no bays: begin each with a line [[bay]]")
    return [_wish(path, number, entry) for number, entry in enumerate(entries, start=1)]


def _wish(path: Path, number: int, entry: Mapping[str, Any]) -> BayWish:
    where = f"{path}: bay {number}"
    for key, value in entry.items():
        kinds = _KINDS.get(key)
        if kinds is None:
            raise ConfigError(f"{where}: there is no {key}: a bay has {', '.join(_KINDS)}")
        # True is a whole number to Python, and not to a person.
        if not isinstance(value, kinds) or (isinstance(value, bool) and bool not in kinds):
            raise ConfigError(f"{where}: {key} = {value!r}: give {_WORDS[kinds[-1]]}")
    if not entry.get("port"):
        raise ConfigError(f"{where}: has no port")
    made = {"set_name" if key == "set" else key: value for key, value in entry.items()}
    made.setdefault("name", f"bay {number}")
    if "capture" in made:
        made["capture"] = Path(made["capture"])
    assert set(made) <= {field.name for field in fields(BayWish)}
    return BayWish(**made)
