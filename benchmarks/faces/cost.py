"""What a face costs: `python -m benchmarks.faces.cost`. CPU milliseconds, one thread, best of
`--repeat` (default 15) rounds.

Identity of one face and of several in one call, beside the bare network on the same numbers, and and beside a
matrix product of known work, so that a busy or slow machine can be told from a slow program.
Then the looks of the detector: whole, close; and the mesh.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from benchmarks.faces.portraits import portraits
from xmpsync.faces.balance import picture_for_detection
from xmpsync.faces.detector import Detector
from xmpsync.faces.identity import Identity, chip
from xmpsync.faces.mesh import Mesh
from xmpsync.faces.pixels import fitted


def best_ms(ways: dict[str, Callable[[], object]], rounds: int) -> dict[str, float]:
    """CPU milliseconds of each way, the ways taking turns."""
    best = dict.fromkeys(ways, float("inf"))
    for _ in range(rounds):
        for name, way in ways.items():
            start = time.process_time()
            way()
            best[name] = min(best[name], 1000 * (time.process_time() - start))
    return best


def main() -> None:
    """Parse the options, run, print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.faces.cost", description=__doc__)
    parser.add_argument("--repeat", type=int, default=15)
    options = parser.parse_args()
    detector, mesh, identity = Detector(), Mesh(), Identity()
    picture = fitted(picture_for_detection(portraits()[0].linear, (1.0, 1.0, 1.0)), 1024)
    face = max(detector.look(picture), key=lambda d: d.score)
    fit = mesh.fit(picture, face)
    one = chip(picture, fit)
    identity.vectors([one])
    rgb = {n: np.ascontiguousarray(np.stack([one] * n).transpose(0, 3, 1, 2).astype(np.float32)) for n in (1, 4, 8)}
    matrix = np.random.default_rng(1).normal(size=(1000, 1000)).astype(np.float32)
    ways: dict[str, Callable[[], object]] = {"2 GFLOP of matrix product": lambda: matrix @ matrix}
    for n in (1, 4, 8):
        ways[f"identity, {n}: whole"] = lambda n=n: identity.known(picture, [fit] * n)  # type: ignore[misc]
        ways[f"identity, {n}: bare network"] = lambda n=n: identity._session.run(None, {"rgb": rgb[n]})  # type: ignore[misc]
    ways["chip of one face"] = lambda: chip(picture, fit)
    ways["mesh of one face"] = lambda: mesh.fit(picture, face)
    ways["close look at one candidate"] = lambda: detector.closer(picture, face)
    ways["look at the whole picture"] = lambda: detector._pass(picture, 1024, 0.06)
    found = best_ms(ways, options.repeat)
    for name, ms in found.items():
        faces = int(name.split(",")[1].split(":")[0]) if name.startswith("identity") else 1
        each = f"{ms / faces:8.1f} a face" if faces > 1 else ""
        print(f"{name:32}{ms:8.1f} ms{each}")
    for n in (1, 4, 8):
        print(
            f"identity, {n}: whole / bare {found[f'identity, {n}: whole'] / found[f'identity, {n}: bare network']:.2f}"
        )


if __name__ == "__main__":
    main()
