"""What fuzzing found once, said in words: each of these ended in a traceback or worse."""

import asyncio
import json
import sqlite3
import struct
import zipfile
import zlib
from contextlib import closing
from pathlib import Path

import pytest
from fuzz_data_file import old_files
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from logger.errors import ConfigError, LinkClosedError, LinkOpenError, StoreError
from logger.links.replay import ReplayLink
from logger.protocol.decoding import record_from_raw
from logger.setfiles import load_set
from logger.store.store import Store

FACTS = 'player = "Ann"\nhand = "right"\n'


def refused(path, text):
    path.write_text(text, "utf-8")
    with pytest.raises(ConfigError) as caught:
        load_set(path)
    message = str(caught.value)
    assert message.isprintable()
    assert len(message) < 4000
    return message


# TOML 1.0.0, "Integer": 64 bits; what cannot be kept must be an error. tomllib takes any number of
# digits, or fails with a plain ValueError beyond 4300 of them.
@pytest.mark.parametrize("digits", ["9" * 400, "0x" + "f" * 5000, "9" * 5000])
@pytest.mark.parametrize("key", ["lie_deg", "label", "player"])
def test_a_number_without_end_in_toml(tmp_path, digits, key):
    facts = {"player": '"Ann"', "hand": '"right"'} | {key: digits}
    club = {key: facts.pop(key)} if key != "player" else {}
    club = {"label": '"7i"'} | club
    lines = [f"{name} = {value}" for name, value in facts.items()]
    lines += ["[[club]]", *(f"{name} = {value}" for name, value in club.items())]
    text = "\n".join(lines)
    refused(tmp_path / "a.toml", text)


@pytest.mark.parametrize("nested", ["x = " + "[" * 5000, "x = " + "{a=" * 3000])
def test_toml_nested_without_end(tmp_path, nested):
    assert "nested" in refused(tmp_path / "a.toml", FACTS + nested)


@pytest.mark.parametrize(
    "cell", ["9" * 5000, "1 " + "2" * 5000 + "/3", "9" * 4000 + "/7", "1 1/" + "9" * 5000, "x" * 90]
)
def test_a_cell_without_end(tmp_path, cell):
    text = f"player,Ann\nhand,right\nclub,lie\n7i,{cell}\n"
    assert "row 4, column 'lie'" in refused(tmp_path / "a.csv", text)


@pytest.mark.parametrize("heading", ["_" * 9_000, "(" * 9_000, "a " * 4_500, "a_" * 4_500])
@pytest.mark.parametrize("suffix", ["csv", "toml"])
def test_a_heading_without_end_takes_no_time(tmp_path, heading, suffix):
    rows = f"player,Ann\nhand,right\nclub,{heading}\n7i,1\n"
    toml = f'{FACTS}"{heading}" = 1\n[[club]]\nlabel = "7i"\n'
    path = tmp_path / f"a.{suffix}"
    path.write_text(rows if suffix == "csv" else toml)
    # As long as a line may be. It took minutes once, for its time went with the square: the limit
    # of time of each test would say so.
    found = load_set(path)
    assert [club.label for club in found.clubs] == ["7i"]
    assert all(len(text) < 100 for text in found.ignored)


def test_control_characters_do_not_reach_the_screen(tmp_path):
    path = tmp_path / "a.toml"
    path.write_text(f'{FACTS}"wind\\u001b[2J" = 1\n[[club]]\nlabel = "7i"\n')
    assert all(text.isprintable() for text in load_set(path).ignored)
    text = f'{FACTS}[[club]]\nlabel = "7\\u001b[2Ji"\nlie_deg = 6\n'
    assert "6 deg is not plausible" in refused(path, text)


def crc(data):
    return zlib.crc32(data).to_bytes(4, "little")


def capture_of(facts, records):
    head = struct.pack("<8sHI", b"\x8aLBC\r\n\x1a\n", 1, len(facts)) + facts
    out = head + crc(head)
    for at_ns, data in records:
        head = struct.pack("<BIq", 1, len(data), at_ns)
        out += head + crc(head) + data + crc(data)
    return out


@pytest.mark.parametrize(
    "facts",
    [
        b"[" * 100_000,
        b'{"url": "x", "monotonic_ns": 1e999, "utc_ns": 0}',
        b'{"url": "x", "monotonic_ns": 0, "utc_ns": 99999999999999999999999}',
        b'{"url": "x\\n\\u001b[2J", "monotonic_ns": 0, "utc_ns": 0}',
    ],
)
def test_a_capture_whose_header_makes_no_sense(tmp_path, facts):
    path = tmp_path / "a.capture"
    path.write_bytes(capture_of(facts, [(0, b"x")]))

    async def play():
        link = ReplayLink(path)
        try:
            await link.open()
        finally:
            await link.close()

    with pytest.raises(LinkOpenError, match="damaged at byte 0"):
        asyncio.run(play())


@pytest.mark.parametrize("at_ns", [2**63 - 1, -(2**63)])
def test_a_capture_from_another_age_gives_what_came_before(tmp_path, at_ns):
    facts = json.dumps({"url": "x", "monotonic_ns": 0, "utc_ns": 1_704_067_200 * 10**9}).encode()
    path = tmp_path / "a.capture"
    path.write_bytes(capture_of(facts, [(5, b"good"), (at_ns, b"bad")]))

    async def play():
        link = ReplayLink(path)
        await link.open()
        chunks = [await link.read()]
        with pytest.raises(LinkClosedError, match="centuries away; what came before it is good"):
            await link.read()
        await link.close()
        return chunks

    assert [chunk.data for chunk in asyncio.run(play())] == [b"good"]


@pytest.mark.parametrize("raw", [(b"\x03" + bytes(15), b""), (b"",), (b"", b"\x03")])
def test_a_record_of_which_nothing_was_kept(raw):
    with pytest.raises(ValueError, match=r"\w"):
        record_from_raw(raw)


@pytest.mark.parametrize("name", old_files())
def test_files_of_older_programs_are_upgraded_with_all_they_had(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(old_files()[name])
    with closing(sqlite3.connect(path)) as file:
        before = file.execute("SELECT boot, sequence, raw FROM records ORDER BY id").fetchall()
    assert len(before) == 20
    with Store.open(path) as store:
        (session,) = store.sessions.all()
        assert len(list(store.records.read(session=session.id))) == 20
    with closing(sqlite3.connect(path)) as file:
        after = file.execute("SELECT boot, sequence, raw FROM records ORDER BY id").fetchall()
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert after == before


@given(name=st.sampled_from(sorted(old_files())), part=st.floats(0, 1, exclude_max=True))
@settings(max_examples=25)
def test_a_file_cut_off_anywhere_is_refused_and_left_alone(tmp_path_factory, name, part):
    whole = old_files()[name]
    size = 1 + int(part * (len(whole) - 1))
    # Zeros at the end are room that was never used: without them all is there.
    assume(any(whole[size:]))
    path = tmp_path_factory.mktemp("cut") / "a.db"
    path.write_bytes(whole[:size])
    before = path.read_bytes()
    with pytest.raises(StoreError) as caught:
        Store.open(path)
    assert str(caught.value).isprintable()
    assert path.read_bytes() == before
    assert [each.name for each in path.parent.iterdir()] == ["a.db"]


@pytest.mark.parametrize("version_bytes", [b"\x01\x01", b"\x02\x02"])
def test_damage_deep_in_an_older_file_is_seen_before_it_is_written_to(tmp_path, version_bytes):
    """A whole header and a broken page: also where opening alone would rewrite the header."""
    whole = bytearray(old_files()["schema_1.db"])
    # Bytes 18 and 19 say rollback journal or WAL (https://www.sqlite.org/fileformat2.html, 1.3).
    whole[18:20] = version_bytes
    # A page that is none of the kinds of section 1.6 of that document.
    whole[5 * 4096] = 0x77
    path = tmp_path / "a.db"
    path.write_bytes(whole)
    with pytest.raises(StoreError, match="damaged: keep a copy of it as it is"):
        Store.open(path)
    assert path.read_bytes() == whole
    assert [each.name for each in tmp_path.iterdir()] == ["a.db"]


@pytest.mark.parametrize("size", [1, 16, 100, 511])
def test_a_file_too_small_for_a_database_is_not_written_over(tmp_path, size):
    path = tmp_path / "notes.txt"
    path.write_bytes((b"what I wrote down\n" * 30)[:size])
    before = path.read_bytes()
    with pytest.raises(StoreError, match="not a lieboard data file"):
        Store.open(path)
    assert path.read_bytes() == before


def test_old_files_are_whole():
    with zipfile.ZipFile(Path(__file__).parent / "corpus" / "old_files.zip") as packed:
        assert packed.testzip() is None
