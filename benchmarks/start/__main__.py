"""``python -m benchmarks.start``: how long help and `runs` take, beside an empty program. Wanted: 0.3 s."""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import time

COMMANDS = {
    "python -c pass": [sys.executable, "-c", "pass"],
    "xmpsync --help": [sys.executable, "-m", "xmpsync", "--help"],
    "xmpsync correct --help": [sys.executable, "-m", "xmpsync", "correct", "--help"],
    "xmpsync runs .": [sys.executable, "-m", "xmpsync", "runs", "."],
}
WANTED_S = 0.3


def seconds(command: list[str], repeats: int) -> float:
    """Median wall time of a command in seconds."""
    times = []
    for _ in range(repeats):
        started = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        times.append(time.perf_counter() - started)
    return statistics.median(times)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.start", description=__doc__)
    parser.add_argument("--repeats", type=int, default=11)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    found = {name: seconds(command, options.repeats) for name, command in COMMANDS.items()}
    if options.json:
        print(json.dumps({"schema": 1, "wanted_help_s": WANTED_S, "median_s": found}, indent=1))
        return
    empty = found["python -c pass"]
    for name, value in found.items():
        print(f"{name:24} {value:6.3f} s   {value / empty:5.1f} x an empty program")
    print(f"wanted: help and runs below {WANTED_S} s")


if __name__ == "__main__":
    main()
