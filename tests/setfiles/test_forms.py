"""Good set files in every form that people save them in."""

import csv
import io
import tomllib
from pathlib import Path

import pytest

from logger.setfiles import load_set
from logger.setfiles.clubs import ClubSpec

EXAMPLES = Path(__file__).parents[2] / "examples"
FACTS = "player,Ann Other\nhand,right\n"


def one_club(write, headings, row, delimiter=","):
    return load_set(write(f"{FACTS}".replace(",", delimiter) + f"{headings}\n{row}\n")).clubs[0]


def test_toml_example_against_the_toml_itself():
    found = load_set(EXAMPLES / "robin_ashdown.toml")
    # The oracle is the standard library's reader and the inch of 1959.
    document = tomllib.loads((EXAMPLES / "robin_ashdown.toml").read_text(encoding="utf-8"))
    assert (found.player, found.hand, found.name) == (document["player"], "right", document["set"])
    assert (found.pivot_label, found.machine_increment_deg) == ("7i", 0.5)
    assert [club.label for club in found.clubs] == ["4i", "5i", "6i", "7i", "8i", "9i", "PW", "SW"]
    for club, table in zip(found.clubs, document["club"], strict=True):
        assert club.spec.length_mm == pytest.approx(table["length_in"] * 25.4, rel=1e-12)
        assert club.spec.lie_deg == table["lie_deg"]
        assert club.spec.camber_u_mm == table["camber_u_mm"]
        assert club.spec.head_material == table["material"]
    assert (found.clubs[0].spec.bias, found.clubs[0].spec.bias_unit) == (4.0, "m")
    assert found.ignored == ()


def test_spreadsheet_example_against_the_csv_itself():
    found = load_set(EXAMPLES / "mika_tarn.csv")
    text = (EXAMPLES / "mika_tarn.csv").read_text(encoding="utf-8").partition("\n\n")[2]
    rows = list(csv.DictReader(io.StringIO(text), delimiter=";"))
    assert (found.player, found.hand, found.name) == ("Mika Tarn", "left", "Practice irons")
    assert found.machine_increment_deg == 0.25
    assert [club.label for club in found.clubs] == [row["Club"] for row in rows]
    for club, row in zip(found.clubs, rows, strict=True):
        centimetres = float(row["Length (cm)"].replace(",", "."))
        assert club.spec.length_mm == pytest.approx(10 * centimetres)
        assert club.spec.lie_deg == float(row["Lie °"].replace(",", "."))
    assert found.clubs[3].spec.camber_mm == 320
    assert found.clubs[0].spec.camber_mm is None
    # toward the heel is negative (analysis/conventions.py)
    assert (found.clubs[6].spec.bias, found.clubs[6].spec.bias_unit) == (-2.0, "mm")
    assert found.ignored == ()


@pytest.mark.parametrize(
    "heading",
    [
        "Lie",
        "LIE °",
        "lie_deg",
        "Lie (deg)",
        " lie  angle ",
        "Lie°",
        "lie [degrees]",
        "LIE-ANGLE",
        "Static lie º",
    ],
)
def test_headings_of_an_angle(write, heading):
    assert one_club(write, f"club,{heading}", "7i,62.5").spec == ClubSpec(lie_deg=62.5)


@pytest.mark.parametrize(
    "heading", ["club", "CLUB", "Iron", "label", "Club name", "No.", "\ufeffClub"]
)
def test_headings_of_the_club(write, heading):
    assert one_club(write, f"{heading},lie", "7i,62").label == "7i"


# 1 in = 25.4 mm exactly (1959)
@pytest.mark.parametrize(
    ("heading", "cell", "mm"),
    [
        ("length (in)", "37", 939.8),
        ("Length in", "37", 939.8),
        ("length_in", "37.5", 952.5),
        ("Length [inches]", "37 1/2", 952.5),
        ("length", "37½ in", 952.5),
        ("length", "37-1/4 inches", 946.15),
        ("LENGTH (mm)", "940", 940.0),
        ("Length", "94 cm", 940.0),
        ("club_length", '"94,0 cm"', 940.0),
        ("Length (m)", "0.94", 940.0),
        # the cell's own unit comes before its heading's
        ("Length (in)", "940 mm", 940.0),
        ('"Length ("")"', "37", 939.8),
        ("length", '"37"""', 939.8),
        ("length", '37"', 939.8),
    ],
)
def test_lengths(write, heading, cell, mm):
    spec = one_club(write, f"club,{heading}", f"7i,{cell}").spec
    assert spec.length_mm == pytest.approx(mm, rel=1e-12)


def test_sole_length_and_camber_are_not_the_length(write):
    spec = one_club(write, "club,sole_length_mm,camber_mm,camber ± (mm)", "7i,78,300,12").spec
    assert spec == ClubSpec(sole_length_mm=78, camber_mm=300, camber_u_mm=12)


@pytest.mark.parametrize(
    ("cell", "bias", "unit"),
    [
        ("3 mm", 3, "mm"),
        ("2 mm heel", -2, "mm"),
        ("2 mm toe", 2, "mm"),
        ("0.5 deg upright", 0.5, "deg"),
        ("-0.5°", -0.5, "deg"),
        ("4 m right", 4, "m"),
        ("4 m left", -4, "m"),
        # 1 yd = 0.9144 m exactly (1959)
        ("5 yd left", -4.572, "m"),
        ("0.1 in", 2.54, "mm"),
        ("0 mm", 0, "mm"),
    ],
)
def test_biases(write, cell, bias, unit):
    spec = one_club(write, "club,bias", f"7i,{cell}").spec
    assert (spec.bias, spec.bias_unit) == (pytest.approx(bias, rel=1e-12), unit)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("bom", [b"", b"\xef\xbb\xbf"])
def test_delimiters_line_ends_and_byte_order_mark(write, delimiter, end, bom):
    rows = [
        "player|Ann Other",
        "hand|R",
        "",
        "# measured in May",
        "Club|Lie °|Loft|Remark",
        '6i|"61,5"|30|ok',
        "|||",
        '7i|"62,0°"|34|',
        "",
    ]
    text = end.join(rows).replace("|", delimiter)
    found = load_set(write(bom + text.encode()))
    assert [(c.label, c.spec.lie_deg, c.spec.loft_deg) for c in found.clubs] == [
        ("6i", 61.5, 30.0),
        ("7i", 62.0, 34.0),
    ]
    assert (found.player, found.hand) == ("Ann Other", "right")
    assert found.ignored == ("column 'Remark'",)


def test_player_and_hand_as_columns(write):
    found = load_set(
        write("Player;Hand;Set;Iron;Lie\nAnn;left-handed;Old;6;61\nAnn;left-handed;Old;7;62\n")
    )
    assert (found.player, found.hand, found.name, found.pivot_label) == ("Ann", "left", "Old", "7")


def test_what_the_file_leaves_out_may_be_given(write):
    found = load_set(write("club,lie\n7i,62\n"), player="Ann", hand="left")
    assert (found.player, found.hand, found.name) == ("Ann", "left", "clubs")
    assert load_set(write(FACTS + "club,lie\n7i,62\n"), hand="left", name="New").hand == "left"


@pytest.mark.parametrize(
    ("labels", "pivot"),
    [
        ("5i 6i 7i 8i", "7i"),
        ("5-iron 7-iron 9-iron", "7-iron"),
        ("4I 7I PW", "7I"),
        ("PW GW SW", "GW"),
    ],
)
def test_pivot_is_the_seven_iron_or_the_middle_club(write, labels, pivot):
    # common practice, no source: checking starts with the middle iron, the 7-iron as a rule
    rows = "".join(f"{label},62\n" for label in labels.split())
    assert load_set(write(FACTS + "club,lie\n" + rows)).pivot_label == pivot


def test_toml_with_units_in_values_and_one_table(write):
    text = """
player = "Ann"
Hand = "LH"
[[clubs]]
Club = 7
Length = '37 1/2"'
Lie = "62,5 deg"
remark = "regripped"
"""
    found = load_set(write(text, "ann.toml"))
    assert found.clubs[0].label == "7"
    assert found.clubs[0].spec == ClubSpec(length_mm=pytest.approx(952.5), lie_deg=62.5)
    assert (found.name, found.ignored) == ("ann", ("club 1 (7), remark",))


def test_a_title_above_the_headings_is_passed_over_and_said(write):
    found = load_set(write("My irons,,\n\nplayer:,Ann,\nhand:,right,\nclub,lie,\n7i,62,\n"))
    assert (found.player, found.ignored) == ("Ann", ("row 1",))


def test_heads(write):
    # names of materials: common practice, no source
    for cell, material in (
        ("Soft forged", "forged"),
        ("carbon-steel", "forged"),
        ("CAST stainless", "cast"),
        ("17-4 PH", "hard"),
        ("not known", "unknown"),
        ("?", None),
    ):
        assert one_club(write, "club,head material", f"7i,{cell}").spec.head_material == material
