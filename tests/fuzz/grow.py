"""Grows and minimises the fuzz corpora, guided by coverage; not part of the tests.

    pip install atheris
    python tests/fuzz/grow.py                     # every target, a minute each
    python tests/fuzz/grow.py talk --seconds 600
    python tests/fuzz/grow.py --minimise

What breaks a target is put into its corpus with the error above it: mend the product, and the
tests hold it to that from then on.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

import fuzz_corpus
import fuzz_seeds

_LONGEST = {"set_toml": 3000, "set_csv": 2000, "wire": 1500, "remade": 1500, "talk": 400}
_LIMITS = ("-timeout=20", "-rss_limit_mb=2048", "-verbosity=0", "-print_final_stats=1")


def fuzz(target, arguments):
    """Run the fuzzer in this process; it does not come back."""
    import atheris

    with atheris.instrument_imports(include=["logger", "tomllib"]):
        from fuzz_targets import TARGETS
    atheris.Setup([sys.argv[0], *arguments], TARGETS[target])
    atheris.Fuzz()


def minimise(target, inputs):
    """Keep what reaches a branch that no shorter input reaches, and what once broke something."""
    import coverage

    cover = coverage.Coverage(data_file=None, branch=True, include=["*/logger/*"])
    # The product is imported under the tracer, or what runs at import would count for the first.
    cover.start()
    from fuzz_targets import TARGETS

    cover.stop()
    seen, kept = set(), {}
    for data in sorted(inputs, key=lambda each: (not inputs[each], len(each), each)):
        cover.erase()
        cover.start()
        try:
            TARGETS[target](data)
            broke = inputs[data]
        except Exception as error:  # noqa: BLE001 whatever it is, it is what we look for
            broke = inputs[data] or f"{type(error).__name__}: {error}".splitlines()[0][:160]
            print(f"{target}: {broke}: {data.hex()}")
        finally:
            cover.stop()
        found = cover.get_data()
        reached = {(file, arc) for file in found.measured_files() for arc in found.arcs(file)}
        if broke or not reached <= seen:
            seen |= reached
            kept[data] = broke
    return kept


def grow(target, seconds):
    """Fuzz one target for some time from its corpus; return all inputs that are of interest."""
    inputs = fuzz_corpus.read(target)
    with tempfile.TemporaryDirectory() as folder:
        place, found = Path(folder, "inputs"), Path(folder, "found")
        place.mkdir()
        found.mkdir()
        for number, data in enumerate([*fuzz_seeds.seeds(target), *inputs]):
            (place / f"seed{number}").write_bytes(data)
        words = Path(folder, "words")
        text = (word.replace("\\", "\\\\").replace('"', '\\"') for word in fuzz_seeds.SET_WORDS)
        words.write_text("".join(f'"{word}"\n' for word in text if word.isascii()))
        command = [
            sys.executable, __file__, target, "--here", "--", f"-artifact_prefix={found}/",
            f"-max_total_time={seconds}", f"-max_len={_LONGEST.get(target, 600)}", *_LIMITS,
        ]  # fmt: skip
        if target.startswith("set_"):
            command.append(f"-dict={words}")
        done = subprocess.run([*command, str(place)], capture_output=True, text=True, check=False)
        stats = [line for line in done.stderr.splitlines() if "::number_of_exec" in line]
        print(target, *stats, flush=True)
        for each in (*found.iterdir(), *place.iterdir()):
            inputs.setdefault(each.read_bytes(), "")
        if any(found.iterdir()):
            print(done.stderr[-3000:])
    return inputs


def main():
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("target", nargs="*", help="default: all")
    options.add_argument("--seconds", type=int, default=60)
    options.add_argument("--minimise", action="store_true", help="do not grow")
    options.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    asked, rest = options.parse_known_args()
    if asked.here:
        fuzz(asked.target[0], [*asked.target[1:], *(each for each in rest if each != "--")])
        return
    from fuzz_targets import TARGETS

    for target in asked.target or TARGETS:
        inputs = fuzz_corpus.read(target) if asked.minimise else grow(target, asked.seconds)
        # A process of its own, in which nothing of the product has been imported yet.
        kept = minimise(target, inputs)
        fuzz_corpus.write(target, kept)
        print(f"{target}: {len(inputs)} inputs, kept {len(kept)}", flush=True)


if __name__ == "__main__":
    main()
