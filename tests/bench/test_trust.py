"""Rocking, study and audit from the command line, against published answers and known truth."""

from __future__ import annotations

import csv
import math
import time
from pathlib import Path

import pytest

# AIAG, Measurement Systems Analysis Reference Manual, 4th ed. (2010), chapter III: crossed study of
# 10 parts, 3 appraisers, 3 trials. Rows are trials, columns parts 1 to 10.
AIAG = {
    "A": (
        "0.29 -0.56 1.34 0.47 -0.80 0.02 0.59 -0.31 2.26 -1.36",
        "0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25",
        "0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31",
    ),
    "B": (
        "0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68",
        "0.25 -1.22 0.94 1.03 -1.20 0.22 0.55 0.08 2.12 -1.62",
        "0.07 -0.68 1.34 0.20 -1.28 0.06 0.83 -0.34 2.19 -1.50",
    ),
    "C": (
        "0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49",
        "-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77",
        "-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16",
    ),
}
# Bland and Altman, Lancet 1986; i:307-310, table 1: first readings of the two meters.
LARGE = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
MINI = (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451)


def write(path: Path, heading: list[str], rows: list[list[object]], delimiter: str = ",") -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, delimiter=delimiter)
        writer.writerow(heading)
        writer.writerows(rows)
    return path


def aiag_rows() -> list[list[object]]:
    return [
        [f"lie {part}", person, value]
        for person, trials in AIAG.items()
        for trial in trials
        for part, value in enumerate(trial.split(), 1)
    ]


def test_study_gives_the_manuals_figures(lieboard, tmp_path):
    file = write(tmp_path / "study.csv", ["lie", "person", "value_deg"], aiag_rows())
    code, out, err = lieboard.run("board", "study", str(file), "--tolerance", "3")
    assert (code, err) == (0, "") or code == 1
    rows = {line.strip().split("  ")[0]: line.split() for line in out.splitlines()}
    # Analysis of variance with the interaction pooled: EV 0.199933, AV 0.226838, GRR 0.302373,
    # PV 1.042327, 27.86 % of the study, 4 categories.
    assert rows["the board itself (repeatability)"][4] == "0.200"
    assert rows["people in all (reproducibility)"][4] == "0.227"
    gauge = rows["board and people together"]
    assert gauge[4] == "0.302"
    assert gauge[-2] == "27.9"
    # Six standard deviations over the width of a tolerance of +-3: 0.302373.
    assert gauge[-1] == "30.2"
    assert rows["the lies"][2] == "1.042"
    assert "distinct categories: 4" in out


def test_study_says_no_with_an_exit_code_of_its_own(lieboard, tmp_path):
    file = write(tmp_path / "study.csv", ["part", "operator", "value"], aiag_rows(), ";")
    code, out, err = lieboard.run("board", "study", str(file))
    assert (code, err) == (1, "")
    assert "FAIL: Not good enough to bend by" in out


def test_study_names_the_missing_readings(lieboard, tmp_path):
    rows = [r for r in aiag_rows() if r != ["lie 4", "B", "0.20"]]
    file = write(tmp_path / "study.csv", ["lie", "person", "value_deg"], rows)
    code, out, err = lieboard.run("board", "study", str(file))
    assert (code, out) == (2, "")
    assert err == (
        f"lieboard: {file}: lie 4 was read 2 times by B, others 3 times: every person has to "
        "read every lie equally often; add the missing readings\n"
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("lie,person\n1,A\n", "no column value_deg"),
        ("lie,person,value_deg\n1,A,0.5\n1,A,upright\n", "row 3: 'upright' in value_deg"),
        ("lie,person,value_deg\n", "no rows below"),
        ("", "is empty"),
        ("lie;person;value_deg\n1;A;0,5\n1;;0,7\n", "row 3: person is empty"),
    ],
)
def test_a_file_that_cannot_be_used_is_one_line(lieboard, tmp_path, text, message):
    file = tmp_path / "study.csv"
    file.write_text(text)
    code, out, err = lieboard.run("board", "study", str(file))
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert message in err


def test_audit_gives_bland_and_altmans_figures(lieboard, tmp_path):
    # A tenth of their litres a minute stand for millimetres from a middle of 420.
    rows = [[(a - 420) / 10, (b - 420) / 10] for a, b in zip(LARGE, MINI, strict=True)]
    file = write(tmp_path / "pairs.csv", ["board_toe_mm", "mark_toe_mm"], rows)
    code, out, err = lieboard.run("board", "audit", str(file), "--sole-length", "90")
    assert (code, err) == (0, "")
    # Mean difference -2.1 (95 % -22.0 to 17.8); with 1.96 SD of 38.8: -78.1 and 73.9.
    assert "bias -0.21 mm (95 % -2.20 to +1.78)" in out
    assert "limits of agreement -7.81" in out
    assert " and +7.39 mm" in out
    # Standard error of the mean, 9.4, and half a millimetre of reading error, which stays.
    assert f"± {math.hypot(0.940, 0.5):.2f} mm off" in out


def test_audit_of_a_session_takes_the_marks_that_audit(simulated, with_set):
    board = simulated("--cell-faults", "none")
    logging = with_set.start("log", board.url)
    logging.line("session 1")
    lies = (-1.5, -0.5, 0.5, 1.5, 0.0)
    time.sleep(1.0)
    for lie in lies:
        board.strike(lie_error_deg=lie)
        logging.line("7i strike")
        # No player swings again sooner.
        time.sleep(0.3)
    logging.process.terminate()
    logging.end()
    struck = with_set.rows("SELECT id, toe_mm FROM strikes ORDER BY id")
    assert len(struck) == len(lies)
    code, _, err = with_set.run("board", "audit")
    assert code == 2
    assert "no mark that audits a strike" in err
    # All marks half a millimetre nearer the toe than the board says.
    for number, toe_mm in struck:
        with_set.run("mark", "7i", f"{toe_mm + 0.5:.2f}", "--audits", str(number))
    code, out, err = with_set.run("board", "audit")
    assert (code, err) == (0, ""), out
    assert "5 swings read both ways" in out
    assert "take -0.50 ± 0.50 mm off" in out


def rocked(radius_mm: float, zero_deg: float, angles: list[float]) -> list[list[object]]:
    return [[a, round(-radius_mm * math.tan(math.radians(a - zero_deg)), 2)] for a in angles]


ANGLES = [58.0, 59.1, 60.0, 60.9, 62.1, 63.0, 64.0, 65.1]


def test_rocking_from_a_file_is_kept_as_the_clubs(with_set, tmp_path):
    rows = rocked(280.0, 61.3, ANGLES)
    file = write(tmp_path / "rocked.csv", ["angle_deg", "toe_mm"], rows)
    code, out, err = with_set.run("board", "rock", str(file), "--save", "7i")
    assert (code, err) == (0, "")
    assert "camber R = 280 mm" in out
    assert "stands on its middle at 61.30°" in out
    assert "kept as the camber of Robin Ashdown's 7i" in out
    ((radius, u),) = with_set.rows(
        "SELECT camber_mm, camber_u_mm FROM club_specs WHERE source = ?",
        "rocked on the board",
    )
    assert radius == pytest.approx(280.0, abs=0.5)
    assert 0 < u < 10


def test_rocking_a_left_handers_head_seen_on_the_board(with_set, tmp_path):
    rows = [[a, 5.0 - toe] for a, toe in rocked(280.0, 61.3, ANGLES)]
    file = write(tmp_path / "rocked.csv", ["angle", "board_mm"], rows)
    code, out, _ = with_set.run("board", "rock", str(file), "--left", "--middle", "5")
    assert code == 0
    assert "camber R = 280 mm" in out
    assert "at 61.30°" in out


def test_rocking_on_a_live_board(simulated, lieboard):
    board = simulated("--cell-faults", "none")
    command = lieboard.start("board", "rock", board.url)
    for lie in (-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0):
        command.line("Angle on the inclinometer")
        command.type(f"{61.0 + lie:.1f}")
        command.line("now set the head down")
        board.strike(kind="rest", lie_error_deg=lie, depth_mm=1.2, hold_ms=300)
    command.line("Angle on the inclinometer")
    command.type("")
    code, out, err = command.end()
    assert (code, err) == (0, ""), out
    (line,) = [line for line in out.splitlines() if line.startswith("camber R")]
    # The simulated 7-iron's sole; cells 4 mm wide see the first touch to about a millimetre.
    assert float(line.split()[3]) == pytest.approx(300.0, rel=0.1)


def test_rocking_that_shows_nothing_is_one_line(lieboard, tmp_path):
    file = write(tmp_path / "rocked.csv", ["angle", "toe"], [[60, 1.0], [61, 1.1], [62, 0.9]])
    code, out, err = lieboard.run("board", "rock", str(file))
    assert (code, out) == (1, "")
    assert err.count("\n") == 1
    assert "4 angles or more" in err


def test_help_has_an_example_for_each_command(lieboard):
    for command in ("check", "calibrate", "rock", "study", "audit"):
        code, out, _ = lieboard.run("board", command, "--help")
        assert code == 0
        assert f"lieboard board {command}" in " ".join(out.split())
