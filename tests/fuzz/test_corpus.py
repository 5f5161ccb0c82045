"""Every input that a fuzzer kept goes through its target again.

``grow.py`` makes the inputs; what once broke something is among them, marked. The targets of the C
core run here without a fuzzer, under the address and undefined behaviour sanitisers of the ordinary
compiler.
"""

import struct
import subprocess

import fuzz_corpus
import fuzz_seeds
import fuzz_wire
import pytest
from fuzz_targets import TARGETS

from logger.protocol.framing import FrameDecoder
from simulators.core_board import REFERENCE, make

C_TARGETS = ("receive", "store", "board")


@pytest.mark.parametrize("name", TARGETS)
def test_inputs_that_fuzzing_kept(name):
    inputs = [*fuzz_corpus.read(name), *fuzz_seeds.seeds(name)]
    assert len(inputs) >= 10
    for data in inputs:
        TARGETS[name](data)


@pytest.fixture(scope="module")
def core_targets(tmp_path_factory):
    out = tmp_path_factory.mktemp("fuzzers")
    make(REFERENCE, "fuzzers", "cc", "apt-get install gcc make", BOARD="strip16", OUT=str(out))
    return out


@pytest.mark.parametrize("name", C_TARGETS)
def test_inputs_that_fuzzing_kept_of_the_core(core_targets, name):
    inputs = fuzz_corpus.read(f"core_{name}")
    assert len(inputs) >= 10
    given = b"".join(struct.pack("<I", len(data)) + data for data in inputs)
    done = subprocess.run(
        [core_targets / f"fuzz_{name}"], input=given, capture_output=True, check=False, timeout=100
    )
    assert done.returncode == 0, done.stderr.decode()[:3000]
    assert done.stdout.decode().strip() == str(len(inputs))


def test_corpora_stay_small():
    sizes = {path.name: path.stat().st_size for path in fuzz_corpus.FOLDER.iterdir()}
    assert sum(sizes.values()) < 200_000, sizes


class ForgetfulReader(FrameDecoder):
    """Loses every piece but the first of a feed."""

    def feed(self, data):
        return super().feed(data)[:1]


def test_a_target_notices_what_is_lost(monkeypatch):
    two = fuzz_seeds.seeds("wire")[0] * 2
    fuzz_wire.wire(two)
    monkeypatch.setattr(fuzz_wire, "FrameDecoder", ForgetfulReader)
    with pytest.raises(AssertionError):
        fuzz_wire.wire(two)
