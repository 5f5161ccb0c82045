"""Every command explains itself, and the README knows it."""

import ast
import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest
import typer
from typer.main import get_command

from logger.cli import main
from logger.cli.app import COMMANDS

ROOT = Path(__file__).parents[2]


def every_command():
    """Name and help text of every command, those of groups included."""
    for name, entry in COMMANDS.items():
        made = getattr(importlib.import_module(f"logger.cli.{entry.module}"), entry.attribute)
        if isinstance(made, typer.Typer):
            for sub, command in get_command(made).commands.items():
                # One that is hidden only says what it is called now.
                if not command.hidden:
                    yield f"{name} {sub}", command.help
        else:
            yield name, made.__doc__


@pytest.mark.parametrize(("name", "text"), list(every_command()))
def test_a_command_shows_an_example_of_itself(name, text):
    assert re.search(rf"Examples?: .*lieboard {name}\b", text, re.DOTALL)


@pytest.mark.parametrize("name", [name for name, _ in every_command()])
def test_the_readme_knows_every_command(name):
    assert f"lieboard {name}" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_list_of_commands_is_whole(capsys):
    assert main(["--help"]) == 0
    out = capsys.readouterr().out
    for name, entry in COMMANDS.items():
        assert re.search(rf"^  {name}\s+{re.escape(entry.summary)}$", out, re.MULTILINE)


# What follows "sim" goes to the simulator, which has a help of its own.
@pytest.mark.parametrize("name", [name for name in COMMANDS if name != "sim"])
def test_help_of_each(name, capsys):
    assert main([name, "--help"]) == 0
    assert "Usage: lieboard " + name in capsys.readouterr().out


def test_wrong_usage_is_exit_code_2(capsys):
    assert main(["flog"]) == 2
    assert "No such command 'flog'" in capsys.readouterr().err


def test_help_loads_nothing_heavy():
    code = (
        "import sys; from logger.cli import main; main(['--help']);"
        "print(sorted({'numpy', 'scipy', 'rich', 'serial', 'sqlite_utils', 'bleak', 'asyncio'}"
        " & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert ast.literal_eval(done.stdout.splitlines()[-1]) == []


def test_a_logger_that_starts_again_loads_no_statistics():
    """They take as long as all the rest of its start (python -X importtime -m logger log PORT)."""
    code = (
        "import sys; from logger.cli.log import bays, command, page, plain;"
        "import logger.cli.terminal.output;"
        "import logger.session.logging.opening, logger.links.serial_port;"
        "print(sorted({'scipy', 'rich', 'sqlite_utils', 'starlette'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert ast.literal_eval(done.stdout.splitlines()[-1]) == []


@pytest.mark.parametrize("module", ["logger", "simulators"])
def test_python_m_runs(module):
    done = subprocess.run(
        [sys.executable, "-m", module, "--help"], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_a_command_that_has_another_name_now_says_which(capsys):
    for rest in ([], ["/dev/ttyACM0", "--passes", "4"]):
        assert main(["board", "even", *rest]) == 2
        assert capsys.readouterr().err == (
            "lieboard: 'lieboard board even' is now 'lieboard board calibrate'\n"
        )
