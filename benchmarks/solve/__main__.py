"""Worlds of simulated shoots, the solver beside the plain ways: `python -m benchmarks.solve --help`.

Without options every world is run with one seed; `--full` runs eight. Skin spectra are measured ones where the bench
extra is installed. The exit code is 1 where the solver is worse than the plain way by more than the rule allows.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
from collections.abc import Iterator
from pathlib import Path

from benchmarks.solve.cost import cost
from benchmarks.solve.report import LEGEND, Figures, beyond, breaches, table
from benchmarks.solve.run import Done, Task, run
from benchmarks.solve.score import Rows, figures
from benchmarks.solve.skins import bodies, skin_spectra
from benchmarks.solve.ways import ALONE, AS_SHOT, PER_FRAME, POOLED, TOLD
from benchmarks.solve.world import WORLDS

ALL_WAYS = (AS_SHOT, PER_FRAME, POOLED, TOLD, ALONE)


def main(arguments: list[str] | None = None) -> int:
    """Run, print tables, write JSON."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.solve", description=__doc__)
    parser.add_argument("--world", action="append", help="only worlds whose name holds this; may be repeated")
    parser.add_argument("--exactly", action="store_true", help="the whole name")
    parser.add_argument("--way", action="append", choices=ALL_WAYS, help="only these ways")
    parser.add_argument("--seeds", type=int, help="shoots of each world (default 1; 8 with --full)")
    parser.add_argument("--seed", type=int, default=1, help="the first one")
    parser.add_argument("--full", action="store_true")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--model-skin", action="store_true", help="the melanin model even where measured spectra are")
    parser.add_argument("--sensitivities", type=Path, help="npz of more cameras: name, wavelength_nm, sensitivity_rgb")
    parser.add_argument("--cost", action="store_true", help="only CPU seconds by number of frames")
    parser.add_argument("--frames", type=int, default=20000, help="with --cost: the largest shoot")
    parser.add_argument("--list", action="store_true", help="names of the worlds")
    parser.add_argument("--json", type=Path, help="where to write all figures")
    options = parser.parse_args(arguments)
    asked = options.world or [""]
    names = [n for n in WORLDS if any(a == n if options.exactly else a in n for a in asked)]
    if options.list:
        print("\n".join(names))
        return 0
    if not names:
        parser.error("there is no such world; --list names them")
    skins = skin_spectra(options.model_skin)
    if options.cost:
        cameras = bodies(options.sensitivities)
        found = {who: cost(cameras, skins, who, options.seed, options.frames) for who in ("names", "identity")}
        if options.json:
            options.json.write_text(json.dumps({"schema": 2, "cost": found}, indent=1), encoding="utf-8")
        return 0
    seeds = range(options.seed, options.seed + (options.seeds or (8 if options.full else 1)))
    ways = tuple(options.way) if options.way else ALL_WAYS
    tasks = [Task(n, s, ways, options.sensitivities, options.model_skin) for n in names for s in seeds]
    answer: dict[str, dict[str, Figures]] = {}
    errors: dict[str, dict[str, list[Rows]]] = {}
    print(LEGEND, end="\n\n")
    here: list[Done] = []
    for done in _runs(tasks, options.jobs):
        here.append(done)
        if len(here) < len(seeds):
            continue
        name = done.task.world
        errors[name] = {way: [d.rows[way] for d in here] for way in ways}
        answer[name] = {way: figures(rows) for way, rows in errors[name].items()}
        frames, faces = sum(d.frames for d in here) / len(here), sum(d.faces for d in here) / len(here)
        print(table(name, frames, faces, answer[name]), flush=True)
        here = []
    broken = breaches(answer, errors)
    real = [b for b in broken if b.real]
    print(f"\nWorse than the best plain way by more than the rule allows: {len(broken)}, real ones {len(real)}")
    print(*broken, sep="\n")
    print("\nWanted of the solver when told nothing, and not so:", *beyond(answer), sep="\n")
    if options.json:
        options.json.write_text(
            json.dumps({"schema": 2, "worlds": answer, "breaches": [str(b) for b in broken]}, indent=1),
            encoding="utf-8",
        )
    return 1 if real else 0


def _runs(tasks: list[Task], jobs: int) -> Iterator[Done]:
    """In the order of the tasks."""
    if jobs == 1:
        yield from map(run, tasks)
        return
    with multiprocessing.get_context("spawn").Pool(jobs) as pool:
        yield from pool.imap(run, tasks)


if __name__ == "__main__":
    sys.exit(main())
