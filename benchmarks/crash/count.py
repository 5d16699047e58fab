"""Crash states and recoveries tried, by world, and how many are lost or mixed: `python -m benchmarks.crash.count`.

`--quick` thins the outcomes of each crash; `--teeth` also counts the mutants that the suite must fail on.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

from tests.write.crashes import (
    Lost,
    Tally,
    World,
    edits,
    kill_and_go_on,
    kills,
    power_losses,
    survives,
    syncs,
)
from tests.write.test_write_crash import WORLDS
from tests.write.test_write_teeth import WORLDS as TOOTH_WORLDS


def main(arguments: list[str]) -> int:
    quick = "--quick" in arguments
    limit = 8 if quick else 10**9
    suites: dict[str, Callable[[World, Tally], None]] = {
        "power loss, every outcome": lambda w, t: power_losses(w, t, limit=limit),
        "again inside recovery": lambda w, t: power_losses(w, t, limit=2 if quick else 6, inner=1 if quick else 3),
        "process killed, then power loss": lambda w, t: kills(w, t, limit=limit, inner=0 if quick else 3),
        "killed, next command, power loss": lambda w, t: kill_and_go_on(w, t, limit=limit),
        "somebody's edit before recovery": lambda w, t: edits(w, t, limit=4 if quick else 12),
    }
    total, lost = Tally(), 0
    print(f"{'world':34} {'what':34} {'states':>8} {'recoveries':>10} {'lost':>5}")
    for name, make in WORLDS.items():
        for what, suite in suites.items():
            tally, bad = Tally(), 0
            try:
                suite(make(), tally)
            except Lost as error:
                bad = 1
                print(f"LOST: {error}")
            print(f"{name:34} {what:34} {tally.crash_states:8} {tally.recoveries:10} {bad:5}", flush=True)
            total.crash_states += tally.crash_states
            total.recoveries += tally.recoveries
            lost += bad
    print(f"{'total':34} {'':34} {total.crash_states:8} {total.recoveries:10} {lost:5}")
    if "--teeth" in arguments:
        lost += _teeth()
    return 1 if lost else 0


def _teeth() -> int:
    n, through = 0, 0
    for name, make in TOOTH_WORLDS.items():
        world, since = make(), time.process_time()
        mutants = syncs(world)
        survivors = [mutant for mutant in mutants if survives(world, mutant)]
        print(f"{name:34} {len(mutants)} mutants, {len(survivors)} survive, {time.process_time() - since:.0f} s")
        n, through = n + len(mutants), through + len(survivors)
    print(f"{'total':34} {n} mutants, {through} survive")
    return through


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
