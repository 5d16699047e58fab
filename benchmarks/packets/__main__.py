"""`python -m benchmarks.packets speed`, `... fuzz [--count N] [--seed S]` or `... hostile`."""

from __future__ import annotations

import argparse
import sys
import time

from benchmarks.packets.fuzz import fuzz
from benchmarks.packets.speed import table


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.packets", description=__doc__)
    parser.add_argument("what", choices=("speed", "fuzz", "hostile"))
    parser.add_argument("--count", type=int, default=None, help="sidecars (2000) or fuzzed packets (100000)")
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    if options.what == "speed":
        print(table(options.count or 2000))
        return 0
    if options.what == "hostile":
        from benchmarks.packets.hostile import hostile  # needs a module that Windows does not have

        return hostile()
    count = options.count or 100_000
    start = time.process_time()
    outcome = fuzz(count, options.seed)
    print(
        f"{count} packets, {time.process_time() - start:.0f} s, slowest {outcome.slowest_s:.2f} s, {dict(outcome.ends)}"
    )
    for seed, what in outcome.failures[:20]:
        print(f"FAILED seed {seed}: {what}")
    print(f"{len(outcome.failures)} failures")
    return 1 if outcome.failures else 0


if __name__ == "__main__":
    sys.exit(main())
