"""A launcher for the desk among the programs of this computer, so that no terminal is needed.

Linux: a .desktop file and its icon (freedesktop.org, Desktop Entry Specification 1.5). macOS and
Windows: the like, by their makers' descriptions; untested.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from logger.errors import UsageError
from logger.page.app import ASSETS

_NAME = "lieboard"
_SAYS = "Fit irons and wedges by where their soles touch"


def install_launcher(db: Path | None, *, home: Path | None = None) -> list[Path]:
    """Write the launcher; return the files that were written.

    Parameters
    ----------
    db
        Data file to open; None: the usual one.
    home
        The person's folder; None: their own.

    Raises
    ------
    UsageError
        It cannot be written there.
    """
    command = [sys.executable, "-m", "logger", "desk"]
    if db is not None:
        command += ["--db", str(db.resolve())]
    home = Path.home() if home is None else home
    try:
        if sys.platform == "darwin":
            return [_mac(command, home)]
        if os.name == "nt":
            return [_windows(command, home)]
        return _desktop_entry(command, home)
    except OSError as error:
        raise UsageError(
            f"the launcher cannot be written ({error.strerror}: {error.filename}): start the desk "
            "with 'lieboard desk'"
        ) from error


def _desktop_entry(command: list[str], home: Path) -> list[Path]:
    data = Path(os.environ.get("XDG_DATA_HOME") or home / ".local" / "share")
    icon = data / "icons" / "hicolor" / "scalable" / "apps" / f"{_NAME}.svg"
    entry = data / "applications" / f"{_NAME}.desktop"
    for file in (icon, entry):
        file.parent.mkdir(parents=True, exist_ok=True)
    icon.write_bytes((ASSETS / "icon.svg").read_bytes())
    lines = [
        "[Desktop Entry]",
        "Type=Application",
        "Version=1.5",
        f"Name={_NAME}",
        f"Comment={_SAYS}",
        f"Exec={' '.join(map(_quoted, command))}",
        f"Icon={_NAME}",
        "Terminal=false",
        "Categories=Sports;",
        "StartupNotify=false",
    ]
    entry.write_text("\n".join([*lines, ""]), "utf-8")
    entry.chmod(0o755)
    return [entry, icon]


def _quoted(argument: str) -> str:
    """Quote an argument of Exec (Desktop Entry Specification 1.5, "The Exec key")."""
    escaped = argument
    for sign in ("\\", '"', "`", "$"):
        escaped = escaped.replace(sign, f"\\{sign}")
    # The value is a string, whose own escapes are undone first; % begins a field code.
    return '"' + escaped.replace("\\", "\\\\").replace("%", "%%") + '"'


def _mac(command: list[str], home: Path) -> Path:
    import shlex

    file = home / "Applications" / f"{_NAME}.command"
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(f"#!/bin/sh\nexec {shlex.join(command)}\n", "utf-8")
    file.chmod(0o755)
    return file


def _windows(command: list[str], home: Path) -> Path:
    import subprocess

    menu = Path(os.environ.get("APPDATA") or home / "AppData" / "Roaming")
    file = menu / "Microsoft" / "Windows" / "Start Menu" / "Programs" / f"{_NAME}.bat"
    file.parent.mkdir(parents=True, exist_ok=True)
    line = subprocess.list2cmdline(command).replace("%", "%%")
    file.write_text(f"@echo off\r\n{line}\r\n", "utf-8")
    return file
