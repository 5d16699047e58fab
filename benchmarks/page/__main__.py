"""``python -m benchmarks.page [--frames 2000]``: CPU seconds of each kind of choice on the living page.

The shoot is that of `benchmarks.speed.plan`: everything is measured already. Printed is the time until the page's data
are ready after a choice, and their size; wanted is at most 2 s at 2,000 frames. Set OMP_NUM_THREADS=1: one core.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import msgspec
import numpy as np

from benchmarks.skin.cameras import cameras
from benchmarks.skin.spectra import model_spectra
from benchmarks.solve.skins import like
from benchmarks.speed.stored_shoot import make_measured
from xmpsync.events import Silent
from xmpsync.measuring.machine import Machine
from xmpsync.measuring.memory import stays
from xmpsync.plan.options import Options
from xmpsync.review.choice import Choice
from xmpsync.review.guard import Keys
from xmpsync.review.server import Live
from xmpsync.shoot.review import Review

WANTED_S, WANTED_FRAMES = 2.0, 2000


def main(arguments: list[str] | None = None) -> int:
    """Build, choose, print."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.page", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--frames", type=int, default=WANTED_FRAMES)
    options = parser.parse_args(arguments)
    rng = np.random.default_rng(1)
    skins = model_spectra(6, rng)
    bodies = like(cameras(None)[0], 6, rng)
    with tempfile.TemporaryDirectory(prefix="xmpsync-page-") as folder:
        made = make_measured(Path(folder) / "shoot", options.frames, "names", bodies, skins)
        print(f"{made.n_frames} frames, {made.n_faces} faces | CPU s | sent")
        start = time.process_time()
        review = Review(made.root, Options(references=(made.reference,)), Machine(), Silent())
        stays()
        live = Live(review, Keys(1))
        document = live.document()
        print(f"{'open':>22} | {time.process_time() - start:5.2f}")
        free = [f for f in document["frames"] if f["basis"] == "faces"]
        one, other = free[len(free) // 2]["key"], free[len(free) // 3]["key"]
        for name, choice in (
            ("nudge", Choice("nudge", frame=one, warmer=5.0)),
            ("nudge of a light", Choice("nudge-light", frame=one, warmer=5.0)),
            ("strength", Choice("strength", frame=one, value=0.5)),
            ("hold", Choice("hold", frame=other)),
            ("another reference", Choice("reference-frame", frame=other)),
            ("undo", Choice("undo")),
        ):
            start = time.process_time()
            choice.version = review.version
            sent = len(msgspec.json.encode(live.chosen(choice)))
            print(f"{name:>22} | {time.process_time() - start:5.2f} | {sent / 1000:7.0f} kB", flush=True)
    if options.frames == WANTED_FRAMES:
        print(f"wanted: at most {WANTED_S:g} s after each choice")
    return 0


if __name__ == "__main__":
    sys.exit(main())
