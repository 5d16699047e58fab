"""``python -m benchmarks.whole_shoot``: make shoots, correct them by the command line, score the sidecars."""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

from benchmarks.whole_shoot.beside import beside
from benchmarks.whole_shoot.score import (
    Score,
    as_shot,
    by_light,
    following,
    from_sidecars,
    grey_card,
    score_faces,
    summary,
    write_true_sidecars,
)
from benchmarks.whole_shoot.shoot import Options, TrueFrame, make_shoot

WANTED = {"delta_e00_median": 0.3, "delta_e00_p95": 0.9, "level_ev_median": 0.03}
"""Without skin state; with 0.5: 0.4 and 0.9 dE00, with 1.0: 0.9 and 1.8."""


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.whole_shoot", description=__doc__)
    parser.add_argument("--frames", type=int, default=35, help="compositions")
    parser.add_argument("--burst", type=int, default=1, help="frames of each composition")
    parser.add_argument("--state", type=float, default=0.0, help="skin state, dE00")
    parser.add_argument("--side", type=float, default=0.5, help="flipping side light, EV")
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--people", type=int, default=3)
    parser.add_argument("--bodies", type=int, default=1)
    parser.add_argument("--regions", choices=("none", "some", "all"), default="none")
    parser.add_argument(
        "--sensitivities", type=Path, help="npz of measured bodies: name, wavelength_nm, sensitivity_rgb"
    )
    parser.add_argument("--cameras", nargs="*", default=[], help="names within --sensitivities")
    parser.add_argument(
        "--told", choices=("both", "single", "none"), default="both",
        help="calibrations in the DNG files; none: the decoder's table, with --cameras",
    )  # fmt: skip
    parser.add_argument(
        "--pairs", type=int, default=0, metavar="K", help="sidecars hold the editor's as-shot numbers, multiples of K"
    )
    parser.add_argument("--truth", action="store_true", help="score sidecars solved from the truth: the scorer's floor")
    parser.add_argument("--keep", type=Path, help="keep the shoots in this folder")
    parser.add_argument("--json", action="store_true", help="JSON on stdout instead of the table")
    parser.add_argument("--faces", action="store_true", help="list every face worse than 2 dE00 or 0.25 EV")
    parser.add_argument("--no-people", action="store_true", help="tell people apart by skin alone, not by their faces")
    asked = parser.parse_args(arguments)
    results = []
    for seed in asked.seeds:
        options = Options(
            asked.frames, seed, asked.people, asked.bodies, asked.regions, asked.sensitivities, tuple(asked.cameras),
            asked.burst, asked.state, asked.side, told=asked.told, pairs=asked.pairs,
        )  # fmt: skip
        folder = asked.keep / f"seed_{seed}" if asked.keep else Path(tempfile.mkdtemp(prefix="whole_shoot_"))
        try:
            results.append(_one(folder, options, asked))
        finally:
            if not asked.keep:
                shutil.rmtree(folder, ignore_errors=True)
    if asked.json:
        print(json.dumps(results, indent=1))
    return 0


def _one(folder: Path, options: Options, asked: argparse.Namespace) -> dict[str, Any]:
    if folder.exists():
        shutil.rmtree(folder)
    frames = make_shoot(folder, options)
    reference = next(frame.name for frame in frames if frame.is_reference)
    started = time.perf_counter()
    if asked.truth:
        write_true_sidecars(folder, frames)
        code, told = 0, ""
    else:
        code, told = _correct(folder, reference, ["--no-people"] if asked.no_people else [])
    seconds = time.perf_counter() - started
    ours = score_faces(frames, from_sidecars(folder))
    known = [face for face in ours if face.in_reference]
    others = {"as shot": as_shot, "perfect grey card": grey_card}
    compared = None if asked.truth or code not in (0, 1) else beside(folder, frames, reference)
    if compared is not None:
        others |= compared.ways
    last = "truth, rounded" if asked.truth else "xmpsync"
    scores = [summary(name, score_faces(frames, way)) for name, way in others.items()]
    scores += [summary(last, ours), summary("  people in the reference only", known)]
    follow = {name: following(frames, way) for name, way in (others | {last: from_sidecars(folder)}).items()}
    if not asked.json:
        _print(options, frames, scores, code, seconds, told)
        for name, (mired, tint, count) in follow.items():
            print(f"    {count} frames without faces, {name}: {mired:.1f} mired, {tint:.1f} tint")
        if compared is not None:
            print(
                f"    lights found {compared.lights_found} of {compared.lights_true}; faces judged"
                f" {compared.judged[0]} of {compared.judged[1]}; {compared.flagged} frames called mixed"
            )
        for light, figures in by_light(ours).items():
            print(
                f"    {light:<14} {figures['faces']:3d} faces   dE00 {figures['delta_e00_median']:5.2f}"
                f" (worst {figures['delta_e00_worst']:5.2f})   EV {figures['level_ev_median']:5.2f}"
            )
        if asked.faces:
            for face in ours:
                if face.de00 > 2.0 or abs(face.ev) > 0.25:
                    print(f"    {face.frame} {face.light:<14} {face.person}  dE00 {face.de00:5.2f}  EV {face.ev:+5.2f}")
    return {
        "schema": 1,
        "seed": options.seed,
        "frames": len(frames),
        "exit_code": code,
        "seconds": seconds,
        "wanted": WANTED,
        "scores": [asdict(score) for score in scores],
        "frames_without_faces": {name: {"mired": m, "tint": t, "frames": n} for name, (m, t, n) in follow.items()},
        "by_light": by_light(ours),
    }


def _correct(folder: Path, reference: str, more: list[str]) -> tuple[int, str]:
    """Run the command as a user would: exit code, and what it said."""
    environment = {**os.environ, "NO_COLOR": "1"}
    command = [sys.executable, "-m", "xmpsync", "correct", str(folder), "--reference", reference, "--yes", *more]
    done = subprocess.run(command, capture_output=True, text=True, env=environment, check=False)
    return done.returncode, done.stdout + done.stderr


def _print(
    options: Options, frames: list[TrueFrame], scores: list[Score], code: int, seconds: float, told: str
) -> None:
    faces = sum(len(frame.faces) for frame in frames)
    print(
        f"\nseed {options.seed}: {len(frames)} frames, {faces} faces, {options.people} people, {options.bodies} bodies,"
        f" bursts of {options.burst}, state {options.state_de:g}, regions {options.regions}"
        f", files tell {options.told}, pairs {options.pairs}; correct took {seconds:.0f} s, exit code {code}"
    )
    if code not in (0, 1):
        print(told[-3000:])
    print(f"  {'':<32} dE00 median    p95   EV median    p95   faces")
    for one in scores:
        print(
            f"  {one.name:<32} {one.de00_median:10.2f} {one.de00_p95:7.2f} {one.ev_median:10.2f} {one.ev_p95:7.2f}"
            f" {one.n_faces:6d}"
        )
    wanted = WANTED["delta_e00_median"], WANTED["delta_e00_p95"], WANTED["level_ev_median"]
    print(f"  {'wanted':<32} {wanted[0]:10.2f} {wanted[1]:7.2f} {wanted[2]:10.2f}")


if __name__ == "__main__":
    raise SystemExit(main())
