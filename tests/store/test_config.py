"""Where data is kept by default."""

import sys

import pytest

from logger.config import default_db_path
from logger.errors import ConfigError


@pytest.fixture
def home(tmp_path, monkeypatch):
    for name in ("HOME", "USERPROFILE", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path


def test_data_is_kept_where_the_system_wants_it(home):
    path = default_db_path()
    assert path.name == "lieboard.db"
    assert not path.parent.exists()
    if sys.platform == "linux":
        # XDG Base Directory Specification 0.8: user data goes to $XDG_DATA_HOME
        assert path == home / "data" / "lieboard" / "lieboard.db"
    assert default_db_path(make_folder=True).parent.is_dir()
    assert default_db_path(make_folder=True) == path


def test_a_folder_that_cannot_be_made_is_named(home):
    folder = default_db_path().parent
    folder.parent.mkdir(parents=True, exist_ok=True)
    folder.write_text("in the way")
    with pytest.raises(ConfigError, match="cannot be made") as caught:
        default_db_path(make_folder=True)
    assert str(caught.value).startswith(str(folder))
