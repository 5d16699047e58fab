"""``python -m benchmarks.speed [--quick] [--only PART ...] [--json FILE]``: figures of speed beside what is wanted.

    frames   measuring a frame beside LibRaw's bare unpack, a bare look, a naive script; stages; memory of a worker
    plan     store to plan with every byte checked, store hits; by one process
    jobs     the whole command `correct --dry-run` with one worker and with two: wall and CPU seconds, taking turns
    growth   time and memory of a plan at 100, 1,000 and 10,000 frames
    write    a durable run beside a bare loop that writes and syncs the same files twice
    start    `--help` and `runs`
    cluster  handing a frame to a cluster and back, beside a local worker

Ratios are taken in one call, the ways taking turns. `--quick` takes smaller frames and shoots, whose figures are not
the wanted ones. Needs the extra `bench`.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")  # as in a worker; before LibRaw is loaded

from benchmarks.crash import durable
from benchmarks.speed import cluster, frames, growth, plan
from benchmarks.start.__main__ import COMMANDS, seconds


@dataclass(frozen=True, slots=True)
class Figure:
    """One wanted row. `least`: wanted is at least so much, otherwise at most."""

    name: str
    found: float
    wanted: float
    least: bool = False

    @property
    def met(self) -> bool:
        return self.found >= self.wanted if self.least else self.found <= self.wanted


@dataclass(frozen=True, slots=True)
class Sizes:
    """How much is done."""

    megapixels: float = 24.0
    repeat: int = 3
    plan_frames: int = 2000
    growth_frames: tuple[int, ...] = (100, 1000, 10000)
    sidecars: int = 2000
    cluster_jobs: int = 100
    starts: int = 11


QUICK = Sizes(6.0, 2, 300, (100, 400), 200, 20, 3)
Part = tuple[list[Figure], Any]


def frames_part(size: Sizes) -> Part:
    with tempfile.TemporaryDirectory(prefix="xmpsync-speed-") as folder:
        found, words = frames.compare(Path(folder), size.megapixels, size.repeat)
    print(f"{frames.table(found)}\n\n{words}")
    stream, tiles, strip = (found[name].ratios for name in frames.KINDS)
    figures = [
        Figure("measure / unpack, one lossless stream", stream["measure / unpack"], 1.2),
        Figure("measure / unpack, lossless tiles", tiles["measure / unpack"], 0.25),
        Figure("measure / (preview and detector), uncompressed", strip["measure / look"], 1.2),
        Figure("naive script / measure, stream", stream["naive / measure"], 1.3, least=True),
        Figure("naive script / measure, tiles", tiles["naive / measure"], 3.0, least=True),
        Figure("peak memory of a worker, MB", max(one.peak_mb for one in found.values()), 450.0),
    ]
    return figures, {name: asdict(one) for name, one in found.items()}


def plan_part(size: Sizes) -> Part:
    made, best = plan.plan_of(size.plan_frames)
    print(plan.table(made, best))
    total = sum(best[step] for step in plan.STEPS)
    return [
        Figure("measured again from the store, ms a frame", 1e3 * best["hits"] / made.n_frames, 1.0),
        Figure(f"store to plan, {made.n_frames} frames, s on one core", total, plan.WANTED_S),
    ], best


def jobs_part(size: Sizes) -> Part:
    """Wall is what somebody waits; on a machine that does other work, only CPU says something."""
    with tempfile.TemporaryDirectory(prefix="xmpsync-speed-") as folder:
        made = growth.made_measured(Path(folder) / "shoot", size.plan_frames)
        command = [
            sys.executable,
            "-m",
            "xmpsync",
            "correct",
            str(made.root),
            "--reference",
            made.reference,
            "--dry-run",
        ]
        best: dict[int, dict[str, float]] = {}
        for _ in range(size.repeat):
            for jobs in (1, 2):
                before = resource.getrusage(resource.RUSAGE_CHILDREN)
                start = time.perf_counter()
                subprocess.run([*command, "--jobs", str(jobs)], check=True, capture_output=True)
                wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
                cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
                old = best.get(jobs, {"wall_s": wall, "cpu_s": cpu})
                best[jobs] = {"wall_s": min(wall, old["wall_s"]), "cpu_s": min(cpu, old["cpu_s"])}
    print("| correct --dry-run | wall, s | CPU, s |\n|---|---|---|")
    for jobs, one in best.items():
        print(f"| --jobs {jobs} | {one['wall_s']:.2f} | {one['cpu_s']:.2f} |")
    return [Figure(f"whole command, {made.n_frames} frames, wall s on two cores", best[2]["wall_s"], 3.5)], best


def growth_part(size: Sizes) -> Part:
    found = growth.growth(list(size.growth_frames))
    print(growth.table(found))
    last = found[size.growth_frames[-1]]
    where = f"{size.growth_frames[-2]} to {size.growth_frames[-1]} frames"
    return [
        Figure(f"exponent of a plan's time, {where}", last["exponent"], growth.WANTED_EXPONENT),
        Figure(f"peak memory at {size.growth_frames[-1]} frames, MB", last["peak_mb"], growth.WANTED_MB),
    ], found


def write_part(size: Sizes) -> Part:
    best = durable.best_turns(size.sidecars, size.repeat)
    wall, cpu = (run / bare for run, bare in zip(best["run"], best["bare"], strict=True))
    return [
        Figure(f"durable write / bare loop, {size.sidecars} sidecars, wall", wall, 1.3),
        Figure(f"durable write / bare loop, {size.sidecars} sidecars, CPU", cpu, 1.3),
    ], best


def start_part(size: Sizes) -> Part:
    found = {name: seconds(command, size.starts) for name, command in COMMANDS.items()}
    wanted = [name for name in found if name.startswith("xmpsync")]
    return [
        Figure(f"{name}, wall s (empty program {found['python -c pass']:.2f})", found[name], 0.3) for name in wanted
    ], found


def cluster_part(size: Sizes) -> Part:
    found = cluster.overhead(size.cluster_jobs)
    return [Figure("cluster, ms of CPU a frame more than a local worker", found["overhead"], 5.0)], found


PARTS: dict[str, Callable[[Sizes], Part]] = {
    "frames": frames_part, "plan": plan_part, "jobs": jobs_part, "growth": growth_part, "write": write_part,
    "start": start_part, "cluster": cluster_part,
}  # fmt: skip


def main() -> None:
    """Run the parts, print their tables and, at the end, every figure beside what is wanted."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.speed", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--only", nargs="+", choices=PARTS, metavar="PART", default=list(PARTS))
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    size = QUICK if options.quick else Sizes()
    figures: list[Figure] = []
    details = {}
    for name in options.only:
        print(f"\n{name}\n", flush=True)
        rows, details[name] = PARTS[name](size)
        figures += rows
        print("\n" + "\n".join(_line(one) for one in rows), flush=True)
    print("\n| figure | found | wanted | |\n|---|---|---|---|\n" + "\n".join(map(_line, figures)))
    if options.json:
        rows_json = [asdict(one) | {"met": one.met} for one in figures]
        document = {"schema": 3, "quick": options.quick, "figures": rows_json, "details": details}
        options.json.write_text(json.dumps(document, indent=1), encoding="utf-8")


def _line(one: Figure) -> str:
    sign = ">=" if one.least else "<="
    return f"| {one.name} | {one.found:.2f} | {sign} {one.wanted:g} | {'met' if one.met else 'missed'} |"


if __name__ == "__main__":
    main()
