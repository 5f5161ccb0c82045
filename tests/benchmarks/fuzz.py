"""Mutated frames through the decoder: crashes, hangs, and frames taken for what was never sent.

Damaged: each of many valid frames is mutated one to four times (bits flipped, bytes changed,
deleted, inserted, doubled; cut at either end; spliced with another frame) and given to the frame
reader and the decoder on its own, then all again in blocks with nothing between them, to the bulk
decoder and in chunks to the ordinary one, which must agree. A wrong frame is one that is accepted
with a body that no frame of the seeds has. A CRC of 32 bits lets through one in 2^32 of those that
look random to it, so ``expected_wrong`` is the refused ones over 2^32.

Remade: the body is mutated and then gets a right checksum, so that the messages behind the framing
are reached: no crash, and no more memory than the decoder says it holds.

Run: python tests/benchmarks/fuzz.py [--frames 10000000] [--seed 1]. Prints one line of JSON last.
Feeds are timed in processor time.
"""

from __future__ import annotations

import argparse
import json
import random
import resource
import struct
import time
import traceback
import zlib
from collections import Counter

import numpy as np
from cobs import cobs

from logger.errors import ProtocolError
from logger.protocol.decoding import Decoder, record_from_raw
from logger.protocol.framing import MAX_ENCODED_BYTES, Frame, FrameDecoder, TextLine
from logger.protocol.layout import MAX_BODY_BYTES, MAX_PARTS
from logger.protocol.records import RawRecord
from logger.protocol.strike_parts import MAX_HALF_BUILT

SEEDS = 4000
BLOCK = 4096
CHUNK_BYTES = 700
# What a stuck feed would be: a feed of one frame takes microseconds.
HANG_NS = 1_000_000_000
# Bytes that mean something to a reader of frames and lines.
TOKENS = (b"\x00", b"\n", b"\r\n", b"LB1 ", b"LB1 x=1\n", b"LB2 x=1\n", b"\xff", b"\x01", b"\0\0")


def frame(body):
    return bytes(cobs.encode(body + zlib.crc32(body).to_bytes(4, "little"))) + b"\x00"


def seed_bodies(rng):
    """Bodies of every type a board or a host may send, in the layout of wire.md section 2."""
    u8, u16, u32 = (lambda bits=bits: rng.getrandbits(bits) for bits in (8, 16, 32))
    for number in range(SEEDS):
        kind = rng.choice((1, 2, 2, 3, 3, 3, 4, 5, 6, 0x21, 0x22, 0x23, 0x24, 0x25))
        if kind == 1:
            name = bytes(rng.randrange(0x20, 0x7F) for _ in range(rng.randrange(25)))
            yield struct.pack(
                "<BBB8sI3BIBBHHBIHHIIBB", 1, 1, 0, rng.randbytes(8), u32(), 1, 2, 3, 1_000_000, 2,
                32, 4000, 12000, 1, 640, 4095, 60, number, number + 5, 31, len(name),
            ) + name  # fmt: skip
        elif kind == 2:
            position, trail = rng.randrange(-20000, 20000), rng.choice((-32768, -900, 0, 900))
            yield struct.pack(
                "<BIIhhHBI", 2, number, u32(), position, trail, u16(), u8(), rng.choice((0, u32()))
            )
        elif kind == 3:
            rows, cells, width = rng.choice(((1, 16, 1), (2, 16, 1), (2, 32, 2), (4, 32, 2)))
            each = 4 + rows * cells * width
            scans = rng.randint(1, min(5, (MAX_BODY_BYTES - 16) // each))
            parts = rng.choice((1, 1, 2, 4, 12))
            head = struct.pack(
                "<BIBBBBBBBI", 3, number, rng.randrange(parts), parts, u8(), width, rows, cells,
                scans, u32(),
            )  # fmt: skip
            # Resting cells are near zero and repeat; pressed ones are anything.
            yield head + bytes(rng.choice((0, 0, 5, u8())) for _ in range(scans * each))
        elif kind == 4:
            yield struct.pack(
                "<BIHhHHHIHII", 4, u32(), u16(), 215, u16(), 60, 3, 0, u16(), number, number + 3
            )
        elif kind == 5:
            yield struct.pack("<BIII", 5, u32(), u32(), u32())
        elif kind == 6:
            yield struct.pack("<BIIB", 6, number, u32(), rng.randint(1, 4))
        else:
            size = {0x21: 2, 0x22: 4, 0x23: 8, 0x24: 8, 0x25: 2}[kind]
            yield bytes([kind]) + rng.randbytes(size)


def mutate(data, other, rng):
    """Change ``data`` once; ``other`` is what it may be spliced with."""
    out = bytearray(data)
    at = rng.randrange(len(out) + 1) if out else 0
    kind = rng.randrange(10)
    if kind <= 1 and out:
        at = min(at, len(out) - 1)
        out[at] ^= 1 << rng.randrange(8)
    elif kind == 2 and out:
        out[min(at, len(out) - 1)] = rng.choice((0, 1, 10, 0x7F, 0x80, 0xFF, rng.getrandbits(8)))
    elif kind == 3:
        del out[at : at + rng.choice((1, 1, 2, 4, 30))]
    elif kind == 4:
        out[at:at] = rng.randbytes(rng.choice((1, 1, 2, 5, 40)))
    elif kind == 5:
        out[at:at] = rng.choice(TOKENS)
    elif kind == 6:
        # A chunk that came twice.
        out[at:at] = out[max(at - rng.choice((1, 4, 16, 64)), 0) : at]
    elif kind == 7:
        out = out[:at] if rng.random() < 0.5 else out[at:]
    elif kind == 8:
        out[at:] = other[rng.randrange(len(other) + 1) :]
    else:
        # A burst: a run of bytes made of noise.
        end = min(at + rng.choice((2, 4, 8, 32)), len(out))
        out[at:end] = rng.randbytes(end - at)
    return bytes(out)


def mutated(data, others, rng):
    for _ in range(rng.choice((1, 1, 1, 2, 3, 4))):
        data = mutate(data, others[rng.randrange(len(others))], rng)
    return data


class Watch:
    """Longest processor time of one feed; feeds that took too long, and that died."""

    def __init__(self):
        self.longest_ns = 0
        self.hangs = 0
        self.crashes = 0

    def feed(self, reader, data, *arguments):
        """Return what the feed gave; None if it raised what it must not raise."""
        begin = time.thread_time_ns()
        try:
            return reader.feed(data, *arguments)
        except ProtocolError:
            raise
        except Exception:  # noqa: BLE001 whatever else comes out is a crash, to be counted
            self.crashes += 1
            print("crash:", data.hex())
            traceback.print_exc()
            return None
        finally:
            took = time.thread_time_ns() - begin
            self.longest_ns = max(self.longest_ns, took)
            self.hangs += took > HANG_NS

    def result(self):
        return {
            "crashes": self.crashes,
            "hangs": self.hangs,
            "longest_feed_ms": round(self.longest_ns / 1e6, 2),
        }


def check_held(decoder):
    """Hold the decoder to the memory that it claims."""
    assert len(decoder._framing._pending) <= MAX_ENCODED_BYTES
    assert len(decoder.half_built) <= MAX_HALF_BUILT
    strikes = decoder._strikes
    held = sum(len(b) for half in strikes._half_built.values() for b in half.bodies.values())
    held += sum(len(body) for whole in strikes._whole.values() for body in whole)
    assert held <= 2 * MAX_HALF_BUILT * MAX_PARTS * MAX_BODY_BYTES
    return held


def one_by_one(items, bodies, counts, watch):
    """Each mutated frame on its own, a zero behind it; return those that end no connection."""
    reader, decoder = FrameDecoder(), Decoder()
    stay = []
    for original, data in items:
        pieces = watch.feed(reader, data + b"\x00")
        if pieces is None:
            reader, pieces = FrameDecoder(), []
        taken = [piece.body for piece in pieces if type(piece) is Frame]
        counts["text_lines"] += sum(type(piece) is TextLine for piece in pieces)
        wrong = [body for body in taken if body not in bodies]
        if wrong:
            counts["wrong"] += len(wrong)
            print("wrong:", original.hex(), data.hex(), wrong)
        if not taken:
            counts["refused"] += 1
        elif original in taken:
            counts["came_through_whole"] += 1
        elif not wrong:
            counts["became_its_splice"] += 1
        try:
            crashed = watch.feed(decoder, data + b"\x00", 0) is None
            stay.append(data)
        except ProtocolError:
            # A line of a newer protocol: the connection is over, the next one begins.
            counts["newer_protocol"] += 1
            crashed = True
        if crashed:
            decoder = Decoder()
    check_held(decoder)
    return stay


def in_blocks(wires, bodies, counts, watch):
    """All of a block with nothing between: neighbours run together where a zero was hit."""
    stream = b"".join(wires)
    decoder = Decoder()
    out = []
    try:
        for start in range(0, len(stream), CHUNK_BYTES):
            out += watch.feed(decoder, stream[start : start + CHUNK_BYTES], 0)
        counts["block_records"] += sum(isinstance(item, RawRecord) for item in out)
    except ProtocolError:
        # Two neighbours made a line of it.
        counts["blocks_of_newer_protocol"] += 1
        return
    for item in out:
        if isinstance(item, RawRecord) and not item.raw[0].startswith(b"LB"):
            counts["wrong_in_blocks"] += sum(raw not in bodies for raw in item.raw)


def damaged(frames, rng, bodies):
    counts, watch, block_watch = Counter(), Watch(), Watch()
    originals = list(bodies)
    wires = [frame(body) for body in originals]
    done = 0
    begin = time.process_time()
    while done < frames:
        items = []
        for _ in range(min(BLOCK, frames - done)):
            at = rng.randrange(len(wires))
            items.append((originals[at], mutated(wires[at], wires, rng)))
        in_blocks(one_by_one(items, bodies, counts, watch), bodies, counts, block_watch)
        done += len(items)
        if done % (BLOCK * 256) == 0:
            print(f"damaged {done}: {dict(counts)} {watch.result()}", flush=True)
    seconds = time.process_time() - begin
    return {
        "frames": done,
        **watch.result(),
        "longest_chunk_ms": block_watch.result()["longest_feed_ms"],
        "wrong": counts["wrong"],
        "wrong_in_blocks": counts["wrong_in_blocks"],
        "expected_wrong": float(f"{counts['refused'] / 2**32:.2g}"),
        **{key: counts[key] for key in ("refused", "came_through_whole", "became_its_splice")},
        **{key: counts[key] for key in ("text_lines", "newer_protocol", "block_records")},
        "blocks_not_compared": counts["blocks_of_newer_protocol"],
        "frames_per_s": round(done / seconds),
    }  # fmt: skip


def remade(frames, rng, bodies):
    """Messages whose content was mutated before the checksum was made."""
    counts, watch = Counter(), Watch()
    originals = list(bodies)
    strikes = [body for body in originals if body[0] == 3 and len(body) > 400]
    # One for what ends a connection now and then, one for strikes that are never whole.
    decoder, crowded = Decoder(), Decoder()
    most_held = warm_kib = 0
    begin = time.process_time()
    for number in range(frames):
        if number % 5 == 0:
            # What costs a reader most: long strikes of many parts, of which the last never comes.
            sequence, part = divmod(number // 5, 31)
            head = strikes[0][:1] + struct.pack("<IBB", sequence % 2**32, part, 32)
            body, reader = head + strikes[0][len(head) :], crowded
        else:
            body = mutated(rng.choice(originals), originals, rng)[:MAX_BODY_BYTES]
            reader = decoder
        try:
            out = watch.feed(reader, frame(body), number)
        except ProtocolError:
            counts["newer_protocol"] += 1
            out = None
        if out is None:
            decoder = Decoder()
            continue
        for item in out:
            counts[type(item).__name__] += 1
            if isinstance(item, RawRecord):
                again = record_from_raw(item.raw)
                assert type(again) is type(item.record)
        if number % 64 == 0:
            most_held = max(most_held, check_held(decoder), check_held(crowded))
        if number == frames // 10:
            warm_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - warm_kib
    return {
        "frames": frames,
        **watch.result(),
        "most_held_bytes": most_held,
        "grown_kib": grown,
        **dict(counts),
        "frames_per_s": round(frames / (time.process_time() - begin)),
    }


def main():
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--frames", type=int, default=10_000_000)
    options.add_argument("--remade", type=int, help="default: a fifth of --frames")
    options.add_argument("--seed", type=int, default=1)
    asked = options.parse_args()
    rng = random.Random(asked.seed)
    bodies = dict.fromkeys(seed_bodies(rng))
    # Refuses a seed that a reader of the page would refuse: then a refusal says nothing.
    assert all(FrameDecoder().feed(frame(body)) == [Frame(body, 0)] for body in bodies)
    wanted = asked.frames // 5 if asked.remade is None else asked.remade
    result = {"benchmark": "fuzz", "seed": asked.seed, "numpy": np.__version__}
    result["remade"] = remade(wanted, rng, bodies)
    print("remade", result["remade"], flush=True)
    result["damaged"] = damaged(asked.frames, rng, bodies)
    print(json.dumps(result))


if __name__ == "__main__":
    main()
