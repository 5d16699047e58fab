"""``python -m benchmarks.speed.plan [--frames 2000]``: CPU seconds of a whole plan with every byte checked.

Everything is measured already, so nothing is decoded: this is the cost of trying again with another reference or
strength. A shoot is built in a temporary folder (two faces in a frame on average; `benchmarks.speed.stored_shoot` has
what stands in for what), and the use-case that makes a plan runs on it three times in one process, imports not counted;
the second run is with another strength. Printed are the seconds of the best run, of the steps

    gather    listing, stat, reading and parsing sidecars, the store, the editor's scale, the solver's question
    solve     the joint solve
    values    the answer as the editor's numbers
    bytes     every sidecar edited and each edit checked
    hits      every measurement found in the store: all that measuring again costs; a part of `gather`
    write     the plan performed, once: backups, two syncs a file, manifest (`benchmarks.crash.durable` has the ratio)

and the same at a tenth of the frames: a column that stays level grows linearly. One core: set OMP_NUM_THREADS=1.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np

from benchmarks.speed.growth import made_measured
from benchmarks.speed.stored_shoot import Made
from xmpsync.events import Silent
from xmpsync.measuring.frames import measure, open_store
from xmpsync.measuring.machine import Machine
from xmpsync.plan.options import Options
from xmpsync.plan.planned import Planned, plan_bytes
from xmpsync.plan.propose import propose
from xmpsync.read.discover import STATE_FOLDER
from xmpsync.shoot.correct import carry_out, prepare_correction
from xmpsync.shoot.load import load
from xmpsync.shoot.session import prepare
from xmpsync.solve import solve

WANTED_S = 6.0
"""For 2,000 frames with 4,000 faces, on one core."""
WANTED_FRAMES = 2000
STEPS = ("gather", "solve", "values", "bytes")
BESIDE = ("hits", "write")
STRENGTHS = (1.0, 0.7, 0.7)

T = TypeVar("T")


def main(arguments: list[str] | None = None) -> int:
    """Build, run, print; exit code 1 where a plan is not whole."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.speed.plan",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--frames", type=int, default=WANTED_FRAMES)
    parser.add_argument("--who", choices=("names", "identity", "none"), default="names", help="who tells who is who")
    parser.add_argument("--only", action="store_true", help="not also a tenth of the frames")
    parser.add_argument("--json", type=Path, help="where to write everything")
    options = parser.parse_args(arguments)
    found = {}
    for frames in [options.frames] if options.only else [max(60, options.frames // 10), options.frames]:
        made, best = plan_of(frames, options.who)
        if not best:
            return 1
        found[made.n_frames] = best
        print(table(made, best), flush=True)
    if options.json:
        options.json.write_text(json.dumps({"schema": 1, "cpu_s": found}, indent=1), encoding="utf-8")
    return 0


def plan_of(frames: int, who: str = "names") -> tuple[Made, dict[str, float]]:
    """A shoot of so many frames and the CPU seconds of the best run by step; empty where a plan is not whole."""
    with tempfile.TemporaryDirectory(prefix="xmpsync-plan-") as folder:
        made = made_measured(Path(folder) / "shoot", frames, who)
        runs = [_run(made, strength) for strength in STRENGTHS]
        whole = all(runs)
        return made, {step: min(run[step] for run in runs) for step in STEPS} | _beside(made) if whole else {}


def _run(made: Made, strength: float) -> dict[str, float]:
    """CPU seconds by step; empty, with a word, where the plan lacks a frame."""
    spent: dict[str, float] = {}
    options = Options(references=(made.reference,), strength=strength)
    ready = _timed(spent, "gather", lambda: prepare(made.root, options, Machine(), Silent()))
    solution = _timed(spent, "solve", lambda: solve(ready.request))
    values = _timed(spent, "values", lambda: propose(ready.request, solution, ready.stand.frames, options, made.root))
    plan = _timed(spent, "bytes", lambda: plan_bytes(values))
    return spent if _is_whole(made, plan, ready.n_from_store, len(ready.request.frames)) else {}


def _beside(made: Made) -> dict[str, float]:
    """CPU seconds of finding every measurement in the store, and of writing the plan."""
    spent: dict[str, float] = {}
    options = Options(references=(made.reference,))
    loaded = load(made.root, options)
    with open_store(made.root / STATE_FOLDER, Machine(), Silent()) as store:
        hits = _timed(spent, "hits", lambda: measure(loaded.frames, (), Machine(), store, Silent()))
    assert hits.n_from_store == made.n_frames
    correction = prepare_correction(made.root, options, Machine(), Silent(), writes=True)
    outcome = _timed(spent, "write", lambda: carry_out(correction, Machine(), Silent()))
    assert outcome is not None and not outcome.left_alone
    return spent


def _is_whole(made: Made, plan: Planned, n_from_store: int, n_asked: int) -> bool:
    changed = len(plan.plan.changes)
    print(f"# {n_from_store} from the store, {changed} files to change, {len(plan.troubles)} troubles", file=sys.stderr)
    # the reference frame stays; a frame may stand where it should by chance
    return n_from_store == n_asked == made.n_frames and not plan.troubles and changed >= 0.95 * made.n_frames


def _timed(spent: dict[str, float], step: str, work: Callable[[], T]) -> T:
    start = time.process_time()
    result = work()
    spent[step] = time.process_time() - start
    return result


def table(made: Made, best: dict[str, float]) -> str:
    sizes = np.array(made.sidecar_bytes) / 1e3
    total = sum(best[step] for step in STEPS)
    rows = [
        f"{made.n_frames} frames, {made.n_faces} faces, {len(sizes)} sidecars of {sizes.min():.0f} to {sizes.max():.0f}"
        f" kB (mean {sizes.mean():.1f} kB) | CPU s | microseconds for each frame"
    ]
    rows_of = [*((step, best[step]) for step in STEPS), ("plan", total), *((step, best[step]) for step in BESIDE)]
    rows += [f"{name:>8} | {s:7.2f} | {s / made.n_frames * 1e6:6.0f}" for name, s in rows_of]
    if made.n_frames == WANTED_FRAMES:
        rows.append(f"wanted: at most {WANTED_S:g} s")
    return "\n".join(rows)


if __name__ == "__main__":
    sys.exit(main())
