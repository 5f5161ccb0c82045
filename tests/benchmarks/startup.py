"""How long ``lieboard --help`` takes beside a bare ``import typer``.

    python tests/benchmarks/startup.py

Both are started in turn, so that a busy machine is as unkind to one as to the other. The last line
is JSON; ``ratio`` is of the least times, which chance hardly touches.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import time

RUNS = 25


def seconds(*arguments: str) -> float:
    begin = time.perf_counter()
    subprocess.run([sys.executable, *arguments], stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - begin


def main() -> None:
    ways = {
        "python": ("-c", "pass"),
        "import_typer": ("-c", "import typer"),
        "help": ("-m", "logger", "--help"),
        "log_help": ("-m", "logger", "log", "--help"),
    }
    times: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(RUNS):
        for name, arguments in ways.items():
            times[name].append(seconds(*arguments))
    least = {f"{name}_ms": round(1e3 * min(found), 1) for name, found in times.items()}
    middle = {name: statistics.median(found) for name, found in times.items()}
    print(
        json.dumps(
            least
            | {
                "ratio": round(min(times["help"]) / min(times["import_typer"]), 3),
                "ratio_of_medians": round(middle["help"] / middle["import_typer"], 3),
                "runs": RUNS,
            }
        )
    )


if __name__ == "__main__":
    main()
