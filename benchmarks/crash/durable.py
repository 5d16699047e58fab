"""What a durable run costs beside the bare writes and syncs it cannot do without: `python -m benchmarks.crash.durable`.

The bare loop writes and syncs each file twice (the original kept, the new bytes under another name), renames, and
syncs each folder once: no lock, no second look at a file, no manifest, no hashes. Both ways take turns on fresh folders
of the same disk; the best turn of each counts, since other work on the machine only adds. Wanted: at most 1.3.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.write.disk import Shoot, corrected, packet
from xmpsync.disk import system
from xmpsync.write.perform import perform
from xmpsync.write.plan import Plan


def bare(shoot: Path, n: int, old: bytes, new: bytes) -> None:
    """The least that keeps an original and replaces a file so that its name stands for a whole one."""
    kept = shoot / "kept"
    kept.mkdir()
    for k in range(n):
        target = shoot / "card" / f"{k}.xmp"
        _write(kept / f"{k}.xmp", old)
        _write(target.with_suffix(".tmp"), new)
        target.with_suffix(".tmp").replace(target)
    for folder in (kept, shoot / "card", shoot):
        fd = os.open(folder, os.O_RDONLY)
        system.full_sync(fd)
        os.close(fd)


def _write(path: Path, data: bytes) -> None:
    with path.open("wb", buffering=0) as file:
        file.write(data)
        system.full_sync(file.fileno())


def timed(prepare: Callable[[Shoot], Callable[[], object]], n: int, old: bytes) -> tuple[float, float]:
    """Wall and processor seconds of what `prepare` returns, on a fresh shoot of `n` sidecars."""
    with tempfile.TemporaryDirectory() as folder:
        shoot = Shoot(Path(folder))
        for k in range(n):
            shoot.put(f"card/{k}.xmp", old)
        act = prepare(shoot)
        os.sync()
        wall, cpu = time.perf_counter(), time.process_time()
        act()
        return time.perf_counter() - wall, time.process_time() - cpu


def best_turns(n: int, repeat: int) -> dict[str, list[float]]:
    """Wall and CPU seconds of the best turn of `bare` and `run`."""
    old, new = packet(), corrected(packet())

    def ours(shoot: Shoot) -> Callable[[], object]:
        plan = Plan(tuple(shoot.change(f"card/{k}.xmp", new) for k in range(n)))
        return lambda: perform(plan, shoot.root, shoot.state)

    ways: dict[str, Callable[[Shoot], Callable[[], object]]] = {
        "bare": lambda shoot: lambda: bare(shoot.root, n, old, new),
        "run": ours,
    }
    spent: dict[str, list[tuple[float, float]]] = {name: [] for name in ways}
    for _ in range(repeat):
        for name, prepare in ways.items():
            spent[name].append(timed(prepare, n, old))
    return {name: [min(column) for column in zip(*rows, strict=True)] for name, rows in spent.items()}


def main(n: int, repeat: int) -> None:
    best = best_turns(n, repeat)
    print(f"{n} sidecars, best of {repeat} turns")
    for name, (wall, cpu) in best.items():
        print(f"{name:6} {wall:7.2f} s wall {cpu:7.2f} s CPU {1e3 * cpu / n:6.2f} ms CPU a file")
    ratios = [a / b for a, b in zip(best["run"], best["bare"], strict=True)]
    print(f"ratio  {ratios[0]:7.2f}   wall {ratios[1]:7.2f}   CPU")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sidecars", type=int, nargs="?", default=500)
    parser.add_argument("repeat", type=int, nargs="?", default=7)
    asked = parser.parse_args()
    main(asked.sidecars, asked.repeat)
