"""``python -m benchmarks.speed.growth [--frames 100 1000 10000]``: how time and memory of a plan grow with the frames.

The shoots are those of `benchmarks.speed.stored_shoot`: everything is measured already, so that the main process does
all the work. Each runs in a new process: a plan of 100 frames first, which loads what there is to load, then the plan
itself. Printed are its CPU seconds, the peak of resident memory and, between neighbours, the exponent of time:
1 is linear. The largest shoot takes some minutes to build.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np

from benchmarks.skin.cameras import cameras
from benchmarks.skin.spectra import model_spectra
from benchmarks.solve.skins import like
from benchmarks.speed.stored_shoot import Made, make_measured

WARM = 100
WANTED_EXPONENT, WANTED_MB = 1.05, 400.0
_PROGRAM = """
import json, resource, sys, time
from pathlib import Path
from xmpsync.events import Silent
from xmpsync.measuring.machine import Machine
from xmpsync.plan.options import Options
from xmpsync.shoot.correct import prepare_correction

def plan(root, reference):
    start = time.process_time()
    found = prepare_correction(Path(root), Options(references=(reference,)), Machine(), Silent(), writes=False)
    return time.process_time() - start, len(found.proposal.plan.changes), len(found.troubles)

plan(*sys.argv[1:3])
spent, changes, troubles = plan(*sys.argv[3:5])
status = Path("/proc/self/status")  # Linux: ru_maxrss starts with the parent's
lines = status.read_text().splitlines() if status.exists() else []
kb = [int(line.split()[1]) for line in lines if line.startswith("VmHWM")]
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
peak = kb[0] * 1024 if kb else peak * (1 if sys.platform == "darwin" else 1024)
print(json.dumps({"cpu_s": spent, "peak_mb": peak / 1e6, "changes": changes, "troubles": troubles}))
"""


def made_measured(root: Path, frames: int, who: str = "names") -> Made:
    """The stored shoot of so many frames with six people, in spectral cameras."""
    rng = np.random.default_rng(1)
    skins = model_spectra(6, rng)
    return make_measured(root, frames, who, like(cameras(None)[0], 6, rng), skins)


def planned(warm: Made, made: Made) -> dict[str, float]:
    """CPU seconds and peak memory of a plan in a process of its own."""
    there = os.environ | {"OMP_NUM_THREADS": "1"}
    command = [sys.executable, "-c", _PROGRAM, str(warm.root), warm.reference, str(made.root), made.reference]
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=there)
    found: dict[str, float] = json.loads(done.stdout)
    assert found["changes"] >= 0.95 * made.n_frames and not found["troubles"], found
    return found


def growth(sizes: list[int]) -> dict[int, dict[str, float]]:
    """By number of frames: `cpu_s`, `peak_mb` and, but for the first, `exponent` against the one before."""
    found: dict[int, dict[str, float]] = {}
    with tempfile.TemporaryDirectory(prefix="xmpsync-growth-") as folder:
        warm = made_measured(Path(folder) / "warm", WARM)
        for frames in sizes:
            with tempfile.TemporaryDirectory(prefix="shoot-", dir=folder) as root:
                found[frames] = planned(warm, made_measured(Path(root) / "shoot", frames))
    for one, other in pairwise(sizes):
        ratio = found[other]["cpu_s"] / found[one]["cpu_s"]
        found[other]["exponent"] = math.log(ratio) / math.log(other / one)
    return found


def table(found: dict[int, dict[str, float]]) -> str:
    """One line for each size."""
    lines = ["| frames | plan, CPU s | ms a frame | exponent | peak memory, MB |", "|---|---|---|---|---|"]
    for frames, row in found.items():
        grows = f"{row['exponent']:.2f}" if "exponent" in row else ""
        per = 1e3 * row["cpu_s"] / frames
        lines.append(f"| {frames} | {row['cpu_s']:.2f} | {per:.2f} | {grows} | {row['peak_mb']:.0f} |")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.speed.growth", description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("--frames", type=int, nargs="+", default=[100, 1000, 10000])
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    found = growth(sorted(options.frames))
    print(table(found))
    print(f"wanted: exponent at most {WANTED_EXPONENT}, at most {WANTED_MB:.0f} MB at 10,000 frames")
    if options.json:
        options.json.write_text(json.dumps({"schema": 1, "plan": found}, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
