"""Steps on the disk, and where the time goes, for growing shoots: `python -m benchmarks.crash.steps`.

Steps per sidecar must not grow with the shoot. The last columns compare a real run with the bare syncs it needs.
"""

from __future__ import annotations

import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.write.disk import AnyDisk, Shoot, corrected, packet
from xmpsync.disk import system
from xmpsync.write.perform import perform
from xmpsync.write.plan import Plan
from xmpsync.write.rollback import perform_rollback, plan_rollback
from xmpsync.write.runs import list_runs, verify_runs, written_by_us


class Counting(AnyDisk):
    """Counts the calls of each step."""

    def __init__(self) -> None:
        super().__init__()
        self.steps: Counter[str] = Counter()

    def __getattribute__(self, name: str) -> object:
        if not name.startswith("_") and name != "steps":
            self.steps[name] += 1
        return super().__getattribute__(name)


def main() -> None:
    old, new = packet(), corrected(packet())
    bare = system.full_sync
    print(f"{'sidecars':>8} {'steps':>7} {'per file':>8} {'run s':>7} {'in sync s':>9} {'rest ms/file':>12} "
          f"{'rollback s':>10} {'runs+verify+ours s':>18}")  # fmt: skip
    for n in (250, 500, 1000, 2000):
        with tempfile.TemporaryDirectory() as folder:
            shoot = Shoot(Path(folder))
            for k in range(n):
                shoot.put(f"card/{k}.xmp", old)
            plan = Plan(tuple(shoot.change(f"card/{k}.xmp", new) for k in range(n)))
            fs, in_sync = Counting(), [0.0]

            def timed(fd: int, spent: list[float] = in_sync) -> None:
                since = time.perf_counter()
                bare(fd)
                spent[0] += time.perf_counter() - since

            system.full_sync = timed
            since = time.perf_counter()
            perform(plan, shoot.root, shoot.state, fs=fs)
            run_s = time.perf_counter() - since
            system.full_sync = bare
            since = time.perf_counter()
            perform_rollback(plan_rollback(shoot.root, shoot.state), shoot.root, shoot.state)
            back_s = time.perf_counter() - since
            since = time.perf_counter()
            list_runs(shoot.state), verify_runs(shoot.state), written_by_us(shoot.state)
            look_s = time.perf_counter() - since
            steps = sum(fs.steps.values())
            rest_ms = 1e3 * (run_s - in_sync[0]) / n
            print(f"{n:8} {steps:7} {steps / n:8.1f} {run_s:7.2f} {in_sync[0]:9.2f} {rest_ms:12.2f} "
                  f"{back_s:10.2f} {look_s:18.2f}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
