"""The radio bridge under MicroPython itself, its chip replaced at the edge (``bridge.mjs``).

What it must do is ``firmware_notes/ble.md``; what `machine` and `bluetooth` do is MicroPython's own
documentation. The clock stands still but for `wait`, so that nothing here hangs on the machine.
"""

from __future__ import annotations

import random
import re
from pathlib import Path

import pytest

from logger.protocol.decoding import Damage, Decoder
from logger.protocol.framing import encode_frame
from logger.protocol.records import AskClock, AskHello, Hello
from logger.protocol.wire import encode
from simulators.core_board import BuildError, CoreBoard
from simulators.emulator.bridge import (
    BRIDGE,
    CENTRAL_CONNECT,
    CENTRAL_DISCONNECT,
    MTU_EXCHANGED,
    BridgeError,
    MicroPythonBridge,
    bytes_of,
)

ROOT = Path(__file__).parents[2]
ASK_HELLO = encode_frame(encode(AskHello()))
LINE = b"LB1 n=17 t=8123456 x=-3.2 p=812 d=900\n"
RING = 8192


@pytest.fixture
def bridge():
    made = []

    def start(program=BRIDGE):
        try:
            made.append(MicroPythonBridge(program=program))
        except BuildError as error:
            pytest.fail(str(error), pytrace=False)
        return made[-1]

    yield start
    for one in made:
        one.close()


@pytest.fixture
def board_hello(core_library):
    """What the reference firmware says after a reset, as its line brings it."""
    core = CoreBoard(core_library)
    return core.advance(300_000_000)


def connect(bridge, number=64, mtu=247):
    bridge.tell(event=[CENTRAL_CONNECT, number, 0, 0])
    bridge.tell(event=[MTU_EXCHANGED, number, mtu])
    bridge.tell(write=ASK_HELLO.hex())
    return bridge.wait(2)


def disconnect(bridge, number=64):
    bridge.tell(event=[CENTRAL_DISCONNECT, number, 0, 0])
    return bridge.wait(2)


def notified(messages):
    return b"".join(bytes_of(messages, "notify"))


def frames(count, seed=1, size=60):
    """Whole frames, as a board sends them: clock replies' size and strike parts' size."""
    rng = random.Random(seed)
    out = []
    for _ in range(count):
        payload = bytes([3]) + rng.randbytes(rng.randint(4, size))
        from cobs import cobs

        out.append(cobs.encode(payload) + b"\0")
    return out


def test_it_offers_what_the_page_says(bridge):
    told = bridge().wait(5)
    (services,) = [message["services"] for message in told if "services" in message]
    page = (ROOT / "firmware_notes" / "ble.md").read_text()
    ours, information = services
    for uuid, bits in [(ours[0], None), *ours[1]]:
        text = "-".join((uuid[:8], uuid[8:12], uuid[12:16], uuid[16:20], uuid[20:]))
        assert f"`{text}`" in page
        # Characteristic properties: core specification, volume 3, part G, 3.3.1.1.
        assert bits in (None, 0x10, 0x0C)
    assert information == ["180a", [["2a24", 2], ["2a25", 2], ["2a26", 2]]]
    for uuid, _ in information[1]:
        assert f"`0x{uuid.upper()}`" in page


def test_who_the_board_is_comes_from_its_hello(bridge, board_hello):
    """The advertisement as in ble.md, "On the air"; its lengths as in the core specification."""
    made = bridge()
    first = made.wait(5)
    # It asks the board, and does not ask the same every millisecond.
    assert bytes_of(first, "uart") == [b"\0" + ASK_HELLO]
    assert bytes_of(made.wait(1900), "uart") == []
    assert bytes_of(made.wait(200), "uart") == [b"\0" + ASK_HELLO]
    (before,) = [message["advertise"] for message in first if "advertise" in message]
    assert before["resp"] == ""
    made.tell(uart=board_hello.hex())
    told = made.wait(5)
    values = dict(message["value"] for message in told if "value" in message)
    assert bytes.fromhex(values["2a25"]) == b"4c42000000000001"
    assert bytes.fromhex(values["2a24"]) == b"strip 16"
    assert bytes.fromhex(values["2a26"]) == b"0.1.0"
    (said,) = [message["advertise"] for message in told if "advertise" in message]
    adv, resp = bytes.fromhex(said["adv"]), bytes.fromhex(said["resp"])
    service = bytes.fromhex("720a8aa64ceb490eb46369638404525d")[::-1]
    assert adv == b"\x02\x01\x06\x11\x07" + service + b"\x09\x08strip 16"
    assert resp == b"\x19\x21" + service + bytes.fromhex("4c42000000000001")
    assert (len(adv), len(resp)) == (31, 26)
    assert said["interval_us"] == 100_000
    # It knows now, and asks no more; after half a minute it advertises more seldom.
    later = made.wait(40_000)
    assert bytes_of(later, "uart") == []
    (slower,) = [message["advertise"] for message in later if "advertise" in message]
    assert slower["interval_us"] == 1_000_000


@pytest.mark.parametrize("spoil", ["crc", "cut", "long"])
def test_a_damaged_hello_names_nobody(bridge, board_hello, spoil):
    made = bridge()
    made.wait(5)
    data = bytearray(board_hello)
    if spoil == "crc":
        data[20] ^= 0x40
    elif spoil == "cut":
        del data[30:]
        data += b"\0"
    else:
        data = bytearray(b"\0" + b"\x02" * 700 + b"\0")
    made.tell(uart=bytes(data).hex())
    assert [message for message in made.wait(5) if "value" in message] == []
    made.tell(uart=board_hello.hex())
    assert [message for message in made.wait(5) if "value" in message] != []


@pytest.mark.parametrize("mtu", [23, 100, 247, 512])
def test_bytes_pass_unchanged_in_pieces_that_fit(bridge, mtu):
    made = bridge()
    made.wait(5)
    connect(made, mtu=mtu)
    stream = b"\0" + b"".join(frames(40)) + LINE
    told = []
    for at in range(0, len(stream), 37):
        made.tell(uart=stream[at : at + 37].hex())
        told += made.wait(3)
    told += made.wait(20)
    pieces = bytes_of(told, "notify")
    assert max(map(len, pieces)) <= min(mtu, 247) - 3
    # From the first border on.
    assert b"".join(pieces) == stream[1:]


def test_the_host_s_words_reach_the_board_unchanged(bridge):
    made = bridge()
    made.wait(5)
    connect(made)
    said = encode_frame(encode(AskClock(7)))
    for at in range(0, len(said), 3):
        made.tell(write=said[at : at + 3].hex())
    assert b"".join(bytes_of(made.wait(3), "uart")) == said


def test_nothing_is_said_before_the_host_s_first_word_and_never_half_a_frame(bridge):
    made = bridge()
    made.wait(5)
    first, second, third = frames(3)
    made.tell(event=[CENTRAL_CONNECT, 64, 0, 0])
    made.tell(uart=(b"\0" + first + second[:5]).hex())
    assert notified(made.wait(50)) == b""
    made.tell(write=ASK_HELLO.hex())
    made.wait(2)
    made.tell(uart=(second[5:] + third).hex())
    assert notified(made.wait(50)) == third
    # The end of a connection forgets what was on its way.
    made.tell(room=0)
    made.tell(uart=first.hex())
    made.wait(2)
    disconnect(made)
    made.tell(room=None)
    told = connect(made, number=65)
    made.tell(uart=second.hex())
    assert notified(told + made.wait(50)) == second


def test_a_clock_reply_does_not_wait_for_more_and_a_half_line_waits_a_little(bridge):
    made = bridge()
    made.wait(5)
    connect(made)
    made.tell(uart=(b"\0" + frames(1)[0]).hex())
    assert len(bytes_of(made.wait(1), "notify")) == 1
    made.tell(uart=LINE[:9].hex())
    assert bytes_of(made.wait(8), "notify") == []
    assert bytes_of(made.wait(4), "notify") == [LINE[:9]]


def test_a_full_queue_loses_nothing(bridge):
    made = bridge()
    made.wait(5)
    connect(made, mtu=23)
    made.tell(room=0)
    stream = b"".join(frames(60))
    made.tell(uart="00")
    told = []
    for at in range(0, len(stream), 50):
        made.tell(uart=stream[at : at + 50].hex())
        if at % 400 == 0:
            made.tell(room=3)
        told += made.wait(2)
    made.tell(room=None)
    told += made.wait(5)
    assert notified(told) == stream
    assert [message for message in told if "print" in message] == []


def test_a_ring_that_overflows_is_counted_and_spoils_no_frame_but_those_lost(bridge):
    made = bridge()
    made.wait(5)
    connect(made)
    made.tell(room=0)
    sent = frames(260)
    stream = b"".join(sent)
    assert len(stream) > RING
    made.tell(uart="00")
    told = []
    for at in range(0, len(stream), 200):
        made.tell(uart=stream[at : at + 200].hex())
        told += made.wait(1)
    made.tell(room=None)
    told += made.wait(5)
    more = frames(5, seed=2)
    made.tell(uart=b"".join(more).hex())
    told += made.wait(20)
    said = [message["print"] for message in told if "print" in message][-1]
    lost = int(re.fullmatch(r"no room for (\d+) bytes of the board so far; .*", said)[1])
    got = notified(told)
    assert lost == len(stream) + len(b"".join(more)) - (len(got) - 1)
    whole = [piece + b"\0" for piece in got.split(b"\0") if piece]
    # All that fit, one that was cut off, and all that came when there was room again.
    kept = [frame for frame in whole if frame in sent]
    assert sent[: len(kept)] == kept
    rest = whole[len(kept) :]
    assert rest[-len(more) :] == more
    assert len(rest) - len(more) <= 1
    assert len(b"".join(kept)) > RING - 100


def test_interrupts_at_any_moment_mix_nothing_up(bridge, core_library):
    """Connections come and go in the middle of what it does; each host gets whole frames only."""
    rng = random.Random(5)
    core = CoreBoard(core_library)
    made = bridge()
    made.tell(late=0.5)
    number, decoder, hellos, damage = 64, Decoder(), 0, 0
    connected = False
    for _ in range(1500):
        if not connected and rng.random() < 0.05:
            number += 1
            decoder = Decoder()
            connected = True
            made.tell(event=[CENTRAL_CONNECT, number, 0, 0])
            made.tell(event=[MTU_EXCHANGED, number, rng.choice([23, 64, 247])])
            made.tell(write=ASK_HELLO.hex())
        elif connected and rng.random() < 0.02:
            connected = False
            made.tell(event=[CENTRAL_DISCONNECT, number, 0, 0])
        elif connected and rng.random() < 0.1:
            made.tell(write=encode_frame(encode(AskClock(rng.getrandbits(32)))).hex())
        made.tell(uart=core.advance(4_000_000).hex())
        for message in made.wait(4):
            if "uart" in message:
                core.receive(bytes.fromhex(message["uart"]))
            elif "notify" in message and message["connection"] == number:
                for item in decoder.feed(bytes.fromhex(message["notify"]), 0):
                    hellos += isinstance(item, Hello)
                    damage += isinstance(item, Damage)
    assert hellos > 10
    assert damage == 0
    # And the board heard whole frames, but for those a hang-up cut.
    core.receive(b"\0" + ASK_HELLO)
    said = Decoder().feed(core.advance(100_000_000), 0)
    assert any(isinstance(item, Hello) for item in said)


def test_a_battery_is_told_if_there_is_one(bridge, tmp_path):
    for name in ("bridge.py", "main.py"):
        text = (BRIDGE / name).read_text()
        (tmp_path / name).write_text(text.replace("BATTERY_PIN = None", "BATTERY_PIN = 34"))
    made = bridge(tmp_path)
    told = made.wait(5)
    (services,) = [message["services"] for message in told if "services" in message]
    assert services[2] == ["180f", [["2a19", 0x12]]]

    def level(messages):
        return [
            int(m["value"][1], 16) for m in messages if "value" in m and m["value"][0] == "2a19"
        ]

    # The chip that is not there begins with 3.9 V.
    assert level(told) == [70]
    for volt, percent in [(4.2, 100), (4.5, 100), (3.65, 18), (3.0, 0)]:
        made.tell(volt=volt)
        assert level(made.wait(30_001)) == [pytest.approx(percent, abs=1)]


def test_a_program_that_breaks_says_so(bridge, tmp_path):
    (tmp_path / "main.py").write_text("import no_such_module\n")
    with pytest.raises(BridgeError, match="no_such_module"):
        bridge(tmp_path).wait(5)


def test_it_compiles_for_micropython_and_keeps_to_what_its_page_says() -> None:
    """The settings that the page names are there to change."""
    page = (BRIDGE / "README.md").read_text()
    program = (BRIDGE / "bridge.py").read_text()
    for name in re.findall(r"^\| `([A-Z_]+)`", page, re.MULTILINE):
        assert re.search(rf"^ *(\w+, )*{name}\b.*=", program, re.MULTILINE), name


def test_a_missing_node_is_one_clear_line(tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(BuildError, match="node is not installed: apt-get install nodejs npm"):
        MicroPythonBridge()
    assert not list(tmp_path.iterdir())
