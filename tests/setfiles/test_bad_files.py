"""Bad set files: one line that names the file, the row and the column."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import ConfigError
from logger.setfiles import load_set

FACTS = "player,Ann Other\nhand,right\n"
GOOD = FACTS + "Club,Length (in),Lie °\n6i,37.5,61.5\n7i,37,62\n"


def problem(path):
    with pytest.raises(ConfigError) as caught:
        load_set(path)
    text = str(caught.value)
    assert text.startswith(str(path))
    assert "\n" not in text
    return text


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("7i,37,62", "7i,37,620", ["row 5, column 'Lie °'", "620 deg is not plausible"]),
        ("(in)", "(furlong)", ["row 4, column 'Length (furlong)'", "'furlong' is no unit"]),
        ("37.5,", "37.5 stones,", ["row 4, column 'Length (in)'", "'stones' is no unit"]),
        ("7i,37,62", "6I,37,62", ["row 5", "6I is in row 4 already"]),
        ("7i,37,62", ",37,62", ["row 5", "no club is named"]),
        ("Club,", "Which,", ["row 3", "no club column"]),
        ("Length (in)", "Length", ["row 4, column 'Length'", "37.5 has no unit"]),
        ("(in)", "(mm)", ["37.5 mm is not plausible"]),
        ("61.5", "sixty", ["row 4, column 'Lie °'", "'sixty' is not a number"]),
        ("61.5", "nan", ["'nan' is not a number"]),
        ("61.5", "61.5.1", ["row 4, column 'Lie °'"]),
        ("61.5", "61.5 mm", ["'mm' is no unit for this: use deg"]),
        ("37.5,61.5", "37,5,61,5", ["row 4", "5 cells under 3 headings", "semicolons"]),
        ("Lie °", "length", ["says the same as column 'Length (in)'"]),
        ("hand,right\n", "", ["no hand is given"]),
        ("hand,right", "hand,both", ["row 2, hand", "write right or left"]),
        ("player,Ann Other\n", "", ["no player is named"]),
        ("hand,right", "hand,right\npivot,3i", ["row 3, pivot", "not one of the clubs: 6i, 7i"]),
        ("hand,right", "hand,right\nHand,left", ["row 3", "says the same as row 2, hand"]),
        ("6i,37.5,61.5\n7i,37,62\n", "", ["no clubs"]),
        ('6i,', '"6i,', ["quotes do not match"]),
        ("6i", "6\x07i", ["row 4, column 'Club'", "cannot be shown"]),
        ("6i", "6" * 30, ["row 4, column 'Club'", "30 characters"]),
        ("Lie °", "Material", ["row 4, column 'Material'", "write forged, cast, hard or unknown"]),
        ("Lie °", "Bias", ["row 4, column 'Bias'", "61.5 has no unit"]),
        ("Lie °", "Bias (mm)", ["61.5 mm is not plausible"]),
        ("Lie °", "camber u mm", ["an uncertainty of a camber needs the camber too"]),
    ],
)  # fmt: skip
def test_named_by_row_and_column(write, old, new, parts):
    assert old in GOOD
    text = problem(write(GOOD.replace(old, new)))
    for part in parts:
        assert part in text


@pytest.mark.parametrize(
    ("cell", "part"),
    [
        ("2 mm upright", "does not go with mm"),
        ("-2 mm heel", "twice"),
        ("2 deg left", "does not go"),
    ],
)
def test_biases_that_contradict_themselves(write, cell, part):
    assert part in problem(write(f"{FACTS}club,bias\n7i,{cell}\n"))


def test_all_problems_at_once(write):
    rows = "6i,37.5,615\n7i,37 furlongs,62\n6i,36,63\n"
    text = problem(write("player,Ann\nClub,Length (in),Lie\n" + rows))
    assert "4 problems" in text
    for part in ("row 3, column 'Lie'", "row 4, column 'Length (in)'", "row 5: club 6i", "no hand"):
        assert part in text


def test_very_many_problems_are_counted(write):
    rows = "".join(f"c{number},999\n" for number in range(40))
    text = problem(write(FACTS + "club,lie\n" + rows))
    assert "40 problems" in text
    assert "and 28 more" in text


def test_columns_of_the_player_must_agree(write):
    text = problem(write("player,hand,club,lie\nAnn,right,6i,61\nBea,right,7i,62\n"))
    assert "row 3, column 'player': 'Bea' differs from 'Ann' in row 2, column 'player'" in text


@pytest.mark.parametrize(
    ("content", "part"),
    [
        (b"", "empty"),
        (b"\xef\xbb\xbf \r\n\r\n", "empty"),
        ("club,lie\n7i,62°\n".encode("latin-1"), "row 2 is not UTF-8"),
        ("club,lie\n7i,62\n".encode("utf-16"), "row 1 is not UTF-8"),
        (b"club\0,lie\n", "not a text file"),
        (b"\x89PNG\r\n\x1a\n", "row 1 is not UTF-8"),
        (b"x" * 200_001, "more than 200000 bytes"),
        (b"club,lie\n" + b"x" * 10_001, "row 2 has more than 10000 characters"),
        (b"some text\nand more of it\n", "no club column"),
        (b"player,Ann\nhand,left\n", "no club column"),
        (b"note,x\n" * 100 + b"club,lie\n7i,62\n", "no club column"),
        (b"\n\n# only a remark\n", "no club column"),
    ],
)
@pytest.mark.parametrize("name", ["clubs.csv", "clubs.txt"])
def test_not_a_spreadsheet_of_ours(write, content, part, name):
    assert part in problem(write(content, name))


def test_place_of_the_file(tmp_path, write):
    assert "no such file" in problem(tmp_path / "nowhere.csv")
    assert "save the spreadsheet as CSV" in problem(write("x", "clubs.xlsx"))
    (tmp_path / "folder.csv").mkdir()
    assert "cannot be read" in problem(tmp_path / "folder.csv")


@pytest.mark.parametrize(
    ("content", "parts"),
    [
        ("player = \nhand", ["not TOML", "line 1"]),
        ('player = "Ann"\nhand = "right"\n', ["no clubs"]),
        ('player = 3.5\nhand = "r"\n[[club]]\nlabel = "7i"\n', ["player: 3.5 is not text"]),
        ('player = "A"\nhand = "r"\nclub = ["7i"]\n', ["club 1: write it as a table"]),
        ('player = "A"\nhand = "r"\n[[club]]\nlabel = "7i"\nlie = 620\n',
         ["club 1 (7i), lie: 620 deg"]),
        ('player = "A"\nhand = "r"\n[[club]]\nlie = 62\nlabel = "7i"\nlength = 37\n',
         ["club 1 (7i), length: 37 has no unit"]),
        ('player = "A"\nhand = "r"\n[[club]]\nlabel = "7i"\nlie = nan\n', ["nan is not a number"]),
        ('player = "A"\nhand = "r"\n[[club]]\nlabel = "7i"\nlie = true\n', ["not a number"]),
        ('player = "A"\nhand = "r"\n[[club]]\nlabel = "7i"\nlie = 62\nlie_deg = 62\n',
         ["club 1 (7i), lie_deg: says the same as club 1 (7i), lie"]),
        ('player = "A"\nhand = "r"\n[[club]]\nlie = 62\n', ["club 1: no club is named"]),
        ('player = "A"\nhand = "r"\n[[club]]\nlabel = "7\\ni"\nlie = 6\n', ["club 1 (7 i), lie"]),
    ],
)  # fmt: skip
def test_toml(write, content, parts):
    text = problem(write(content, "clubs.toml"))
    for part in parts:
        assert part in text


def set_or_line(path):
    """Load a file; whatever is in it, the outcome must be a whole set or one line."""
    try:
        found = load_set(path)
    except ConfigError as exc:
        text = str(exc)
    else:
        assert found.pivot_label in [club.label for club in found.clubs]
        return
    assert text.startswith(str(path))
    assert len(text.splitlines()) == 1


@given(st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
def test_any_bytes_give_a_set_or_one_line(tmp_path_factory, data):
    folder = tmp_path_factory.getbasetemp()
    for name in ("any.csv", "any.toml"):
        path = folder / name
        path.write_bytes(data)
        set_or_line(path)


@given(
    st.lists(
        st.lists(st.sampled_from(["club", "lie", "7i", "62", "player", "Ann", "hand", "right",
                                  '"', "#", " ", "length (in)", "bias", "3 mm toe", "½", "-"]),
                 max_size=5),
        max_size=6,
    )
)  # fmt: skip
def test_any_table_gives_a_set_or_one_line(tmp_path_factory, rows):
    path = tmp_path_factory.getbasetemp() / "table.csv"
    path.write_text("\n".join(",".join(row) for row in rows), encoding="utf-8")
    set_or_line(path)
