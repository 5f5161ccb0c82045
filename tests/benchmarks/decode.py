"""How fast a captured stream is decoded, against a plain loop of cobs.decode and struct.unpack.

The plain loop does for each frame what has to be done at least: cut at the zeros, decode COBS,
check the CRC-32, unpack all numbers. It joins no parts, knows no text lines, counts no damage and
would lose its place at the first odd byte; both must come to the same numbers here.

Run: python tests/benchmarks/decode.py. Prints one line of JSON last; times are processor
time, the best of 5.
"""

import json
import struct
import time
import zlib

import numpy as np
from cobs import cobs

from logger.protocol.decoding import Decoder

READINGS = 200_000
STRIKES = 1_500
PARTS, SCANS, ROWS, CELLS = 12, 3, 2, 32
REPEATS = 5
# What a serial port hands over at once at a high rate.
CHUNK_BYTES = 4096

READING = struct.Struct("<BIIhhHBI")
STRIKE_HEAD = struct.Struct("<BIBBBBBBBI")
CRC = struct.Struct("<I")


def frame(body):
    return cobs.encode(body + CRC.pack(zlib.crc32(body))) + b"\x00"


def reading_frames(rng):
    ticks = np.cumsum(rng.integers(200, 400, READINGS))
    position = rng.normal(0, 800, READINGS).astype(int)
    trail = rng.normal(0, 300, READINGS).astype(int)
    pressure = rng.integers(50, 4000, READINGS)
    for i in range(READINGS):
        yield frame(
            READING.pack(
                2, i, int(ticks[i]), int(position[i]), int(trail[i]), int(pressure[i]), 0, 0
            )
        )


def strike_frames(rng):
    scan = np.dtype([("ticks", "<u4"), ("counts", "<u2", (ROWS, CELLS))])
    for sequence in range(STRIKES):
        scans = np.zeros(PARTS * SCANS, scan)
        scans["ticks"] = sequence * 100_000 + np.arange(len(scans)) * 40
        hump = 3000 * np.exp(-(((np.arange(CELLS) - rng.uniform(8, 24)) / 4) ** 2))
        load = np.sin(np.linspace(0, np.pi, len(scans)))[:, None, None]
        scans["counts"] = load * hump + rng.integers(90, 110, (len(scans), ROWS, CELLS))
        for part in range(PARTS):
            head = STRIKE_HEAD.pack(3, sequence, part, PARTS, 0, 2, ROWS, CELLS, SCANS, 1400)
            yield frame(head + scans[part * SCANS : (part + 1) * SCANS].tobytes())


def plain_loop(stream):
    """Return all readings, and all strike scans as tuples of plain numbers."""
    readings, scans = [], []
    one_scan = {bytes_: f"I{ROWS * CELLS}{code}" for bytes_, code in ((1, "B"), (2, "H"))}
    layouts = {key: struct.Struct("<" + SCANS * text) for key, text in one_scan.items()}
    for span in stream.split(b"\x00"):
        if not span:
            continue
        decoded = cobs.decode(span)
        body = decoded[:-4]
        if CRC.unpack(decoded[-4:])[0] != zlib.crc32(body):
            continue
        if body[0] == 2:
            readings.append(READING.unpack(body))
        elif body[0] == 3:
            head = STRIKE_HEAD.unpack_from(body)
            scans.append((head, layouts[head[5]].unpack_from(body, STRIKE_HEAD.size)))
    return readings, scans


def feed_in_chunks(stream):
    decoder = Decoder()
    for start in range(0, len(stream), CHUNK_BYTES):
        decoder.feed(stream[start : start + CHUNK_BYTES], 0)
    return decoder


def best_seconds(ways, stream):
    """Processor time of each way, in turn so that a busy machine is as hard on each."""
    best = dict.fromkeys(ways, float("inf"))
    for _ in range(REPEATS):
        for name, work in ways.items():
            begin = time.process_time()
            work(stream)
            best[name] = min(best[name], time.process_time() - begin)
    return best


def check_same(stream):
    readings, scans = plain_loop(stream)
    decoder = Decoder()
    records = [item.record for item in decoder.feed(stream, 0)]
    strikes = [record for record in records if hasattr(record, "counts")]
    sequences = [record.sequence for record in records if not hasattr(record, "counts")]
    assert sequences == [fields[1] for fields in readings]
    assert len(records) == len(readings) + len(scans) // PARTS
    flat = np.array([numbers for _, numbers in scans], dtype=np.uint32)
    if len(flat):
        flat = flat.reshape(-1, 1 + ROWS * CELLS)
        assert np.array_equal(np.concatenate([s.scan_ticks for s in strikes]), flat[:, 0])
        counts = np.concatenate([s.counts for s in strikes])
        assert np.array_equal(counts.reshape(len(flat), -1), flat[:, 1:])
    assert decoder.counters == feed_in_chunks(stream).counters
    return len(readings) + len(scans)


def main():
    rng = np.random.default_rng(7)
    readings, strikes = list(reading_frames(rng)), list(strike_frames(rng))
    # A session: strikes with the readings of a board that sends both between them.
    share = READINGS // STRIKES // 4
    mixed = [
        item
        for i in range(STRIKES)
        for item in strikes[i * PARTS : (i + 1) * PARTS] + readings[i * share : (i + 1) * share]
    ]
    ways = {
        "feed": feed_in_chunks,
        "plain": plain_loop,
    }
    result = {"benchmark": "decode", "repeats": REPEATS}
    for name, frames in (("readings", readings), ("strikes", strikes), ("mixed", mixed)):
        stream = b"".join(frames)
        count = check_same(stream)
        seconds = best_seconds(ways, stream)
        result[name] = {"frames": count, "bytes": len(stream)} | {
            f"{way}_{unit}": round(amount / time_s / scale, 1)
            for way, time_s in seconds.items()
            for unit, amount, scale in (("mb_per_s", len(stream), 1e6), ("frames_per_s", count, 1))
        }
        result[name]["feed_over_plain"] = round(seconds["plain"] / seconds["feed"], 2)
        print(f"{name}: {result[name]}")
    print(json.dumps(result))


if __name__ == "__main__":
    main()
