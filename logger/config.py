"""Where the program keeps its data when nobody says otherwise."""

from __future__ import annotations

from pathlib import Path

from logger.errors import ConfigError


def data_folder() -> Path:
    """Folder for this person's data, where the operating system wants such data to be."""
    # Imported here: the commands that are told where the data is need not pay for it.
    from platformdirs import user_data_path

    return user_data_path("lieboard", appauthor=False)


def default_db_path(*, make_folder: bool = False) -> Path:
    """Where the data file is if no other is named.

    With ``make_folder`` its folder is there afterwards, or `ConfigError` says why not.
    """
    folder = data_folder()
    if make_folder:
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as exc:
            raise ConfigError(
                f"{folder}: this folder for your data cannot be made ({exc.strerror}): "
                "name a data file elsewhere"
            ) from exc
    return folder / "lieboard.db"
