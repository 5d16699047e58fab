"""Simulated weddings, scored on held-out clean skin, with simpler methods beside: `python -m benchmarks.solve --help`.

Skin spectra are measured ones where the bench extra is installed (and openpyxl to read them), else a melanin and
haemoglobin model. Cameras are those of an npz file, else the one mosaic body of colour-science and bodies like it (its
other one has a stacked sensor, for which a matrix is a poor model of any raw converter). The exit code is 0 when every
wanted figure of the named shoots is met, else 1.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from benchmarks.skin.cameras import cameras
from benchmarks.skin.spectra import measured_spectra, model_spectra
from benchmarks.solve.baselines import BASELINES
from benchmarks.solve.report import figures, joined, met, table
from benchmarks.solve.score import corrections_of, rows
from benchmarks.solve.wedding import Plan, like, make
from xmpsync.solve import solve
from xmpsync.solve.problem import Request

KINDS = {
    "names": Plan(who="names"),
    "identity": Plan(who="vectors"),
    "nobody tells, 6 people": Plan(who="none"),
    "first try": Plan(who="none", setups=9, most_faces=2, no_face=0.1, specials=False),
}
"""`first try`: one reference frame, no names, 2-4 people, 35-120 frames under nine lights."""

COST_SHOOTS = {500: 7, 2000: 5, 8000: 3, 20000: 2}
"""Frames, and runs of which the best counts."""


def main(arguments: list[str] | None = None) -> int:
    """Run, print tables, write JSON."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.solve", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="few small shoots")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--shoots", type=int, default=None, help="shoots of each kind (default 12; 3 when quick)")
    parser.add_argument("--kind", choices=sorted(KINDS), action="append", help="only these kinds")
    parser.add_argument("--model-skin", action="store_true", help="the melanin model even where measured spectra are")
    parser.add_argument(
        "--sensitivities", type=Path, help="npz with more cameras (name, wavelength_nm, sensitivity_rgb)"
    )
    parser.add_argument(
        "--cost", action="store_true", help="only the cost: CPU seconds and us per frame by number of frames"
    )
    parser.add_argument("--json", type=Path, help="where to write everything")
    options = parser.parse_args(arguments)
    rng = np.random.default_rng(options.seed)
    skins = None if options.model_skin else measured_spectra(6, rng)
    if skins is None:
        print("skin: melanin and haemoglobin model (measured spectra need the bench extra)", file=sys.stderr)
        skins = model_spectra(6, rng)
    bodies = [c for c in cameras(options.sensitivities) if "sigma" not in c.name.lower()]
    if options.sensitivities is None:
        bodies += like(bodies[0], 5, rng)
    if options.cost:
        cost = _cost(bodies, skins, options.seed)
        if options.json:
            options.json.write_text(json.dumps({"schema": 1, "figures": {"cost": cost}}, indent=1), encoding="utf-8")
        return 0
    shoots = options.shoots or (3 if options.quick else 12)
    answer: dict[str, dict[str, dict[str, float]]] = {}
    for kind in options.kind or KINDS:
        ours, others = [], {name: [] for name in BASELINES}
        for i in range(shoots):
            shoot = make(_plan(KINDS[kind], kind, options.seed + i, options.quick), bodies, skins)
            solution = solve(shoot.request)
            ours.append(rows(shoot, corrections_of(shoot, solution), solution))
            for name, method in BASELINES.items():
                others[name].append(rows(shoot, method(shoot), None))
        columns = {"joint solve": figures(joined(ours))}
        columns |= {name: figures(joined(found)) for name, found in others.items()}
        answer[kind] = columns
        print(f"== {kind}: {shoots} shoots\n{table(columns)}\n")
    if not options.quick:
        answer["cost"] = {"joint solve": _cost(bodies, skins, options.seed)}
    if options.json:
        options.json.write_text(json.dumps({"schema": 1, "figures": answer}, indent=1), encoding="utf-8")
    checked = answer.get("names", next(iter(answer.values())))["joint solve"]
    return 0 if all(met(name, value) is not False for name, value in checked.items()) else 1


def _plan(plan: Plan, kind: str, seed: int, quick: bool) -> Plan:
    rng = np.random.default_rng((seed, len(kind)))
    if kind == "first try":
        frames, people = int(rng.integers(35, 121)), int(rng.integers(2, 5))
        return replace(plan, seed=seed, frames=frames, people=people, reference_faces=int(rng.integers(1, 3)))
    return replace(plan, seed=seed, frames=120 if quick else int(rng.choice([120, 120, 300, 600])))


def _cost(bodies: list, skins: list, seed: int) -> dict[str, float]:  # type: ignore[type-arg]
    """CPU seconds of a solve by number of frames, two faces in each, names on them; printed as it goes.

    The best of a few runs counts, after one that loads the modules. Last the ratio that shows linearity: microseconds
    per frame of the largest shoot over those of the second (1 where cost is proportional to frames).
    """
    out, per_frame = {}, {}
    for frames, runs in COST_SHOOTS.items():
        plan = Plan(frames=frames, who="names", seed=seed, most_faces=3, no_face=0.0)
        request = make(plan, bodies, skins).request
        if not out:
            solve(request)
        seconds = min(_cpu_s(request) for _ in range(runs))
        out[f"solve_cpu_s_{frames}_frames"] = seconds
        per_frame[frames] = 1e6 * seconds / frames
        faces = sum(len(f.faces) for f in request.frames)
        print(f"{frames:6d} frames, {faces:6d} faces: {seconds:6.2f} s CPU, {per_frame[frames]:4.0f} us per frame")
    _, usual, *_, most = COST_SHOOTS
    out["solve_cost_ratio"] = per_frame[most] / per_frame[usual]
    print(f"us per frame, {most} frames over {usual}: {out['solve_cost_ratio']:.2f}")
    return out


def _cpu_s(request: Request) -> float:
    start = time.process_time()
    solve(request)
    return time.process_time() - start


if __name__ == "__main__":
    raise SystemExit(main())
