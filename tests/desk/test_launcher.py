"""The launcher, by the freedesktop.org Desktop Entry Specification 1.5."""

import configparser
import shlex
import subprocess
import sys

from logger.desk.launcher import install_launcher


def test_the_entry_says_what_the_specification_asks_for(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    db = tmp_path / 'odd $name "with" `signs` 50%.db'
    entry, icon = install_launcher(db)
    assert icon.read_text(encoding="utf-8").startswith("<svg")
    read = configparser.RawConfigParser(interpolation=None)
    read.optionxform = str
    read.read(entry, encoding="utf-8")
    said = read["Desktop Entry"]
    assert said["Type"] == "Application"
    assert said["Name"] == "lieboard"
    assert said["Terminal"] == "false"
    # "The Exec key": the string's escapes first, then quotes, in which \" \` \$ \\ are escaped;
    # %% is a percent sign. A shell's double quotes are undone the same way.
    line = said["Exec"].replace("\\\\", "\\").replace("%%", "%")
    command = shlex.split(line)
    # shlex leaves \` and \$ within quotes as they are; the specification does not.
    command = [part.replace("\\`", "`").replace("\\$", "$") for part in command]
    assert command == [sys.executable, "-m", "logger", "desk", "--db", str(db.resolve())]


def test_the_command_writes_it(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "logger", "desk", "--install-launcher"],
        env={"XDG_DATA_HOME": str(tmp_path), "PATH": ""},
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "applications" / "lieboard.desktop").exists()
