"""What each step of reading costs, as a ratio to LibRaw's unpack of the same file (no absolute times: machines differ).

Run: python -m benchmarks.read.timing [--megapixels 24] [--repeat 5]
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")  # as in a worker; before LibRaw is loaded

import numpy as np
import rawpy

from demo_shoot.dng import DngExif, DngProfile, write_dng
from xmpsync.read.header import read_header
from xmpsync.read.picture import preview
from xmpsync.read.profile import profile_for
from xmpsync.read.raw import open_raw
from xmpsync.records import Box

FACE = Box(0.4, 0.3, 0.12, 0.18)


def make(folder: Path, megapixels: float) -> dict[str, Path]:
    """Frames of one scene in the ways that cameras store it."""
    height = int((megapixels * 1e6 / 1.5) ** 0.5) // 64 * 64
    width = height * 3 // 2
    rows, columns = np.indices((height, width), dtype=np.float32)
    scene = 3000 + 2500 * np.sin(rows / 300) * np.cos(columns / 400)
    noise = np.random.default_rng(1).normal(0, 1, (height, width)).astype(np.float32) * np.sqrt(scene)
    mosaic = np.clip(scene + noise + 512, 0, 16383).astype(np.uint16)
    shown = (np.sqrt(scene[::4, ::4, None] / 8000) * [255, 220, 200]).astype(np.uint8)
    tags = {
        "profile": DngProfile(color_matrix_1=np.eye(3).tolist(), as_shot_neutral=(0.5, 1, 0.6)),
        "exif": DngExif(exposure_s=0.01, iso=400), "black": 512, "preview_rgb": shown,
    }  # fmt: skip
    kinds = {"16 bit, one strip": {"compress": False}, "lossless, one strip": {}, "lossless, tiles": {"tile": 256}}
    paths = {}
    for number, (name, how) in enumerate(kinds.items()):
        paths[name] = folder / f"{number}.dng"
        write_dng(paths[name], mosaic, **tags, **how)
    return paths


def seconds(action: Callable[[], object], repeat: int) -> float:
    """Median CPU seconds."""
    taken = []
    for _ in range(repeat):
        start = time.process_time()
        action()
        taken.append(time.process_time() - start)
    return statistics.median(taken)


def unpack(path: Path) -> None:
    with rawpy.imread(str(path)) as raw:
        raw.unpack()


def half_size(path: Path) -> None:
    with rawpy.imread(str(path)) as raw:
        raw.postprocess(half_size=True, output_bps=8, user_wb=[1, 1, 1, 1], no_auto_bright=True)


def table(paths: dict[str, Path], repeat: int) -> str:
    lines = ["| step | " + " | ".join(paths) + " |", "|---" * (len(paths) + 1) + "|"]
    columns = []
    for path in paths.values():
        unit = seconds(lambda p=path: unpack(p), repeat)
        header = read_header(path)
        raw = open_raw(path, header)
        side = max(1, round(max(raw.cells_shape) / 1024))
        steps: dict[str, Callable[[], object]] = {
            "LibRaw unpack": lambda p=path: unpack(p),
            "LibRaw half-size render": lambda p=path: half_size(p),
            "read_header": lambda p=path: read_header(p),
            "preview, 1024 px": lambda h=header: preview(h, 1024),
            "open_raw": lambda p=path, h=header: open_raw(p, h),
            "cells of the whole at 1024 px": lambda r=raw, k=side: r.cells(reduce=k),
            "cells of the whole, not reduced": lambda r=raw: r.cells(),
            "cells of one face": lambda r=raw: r.cells(FACE),
            "profile_for": lambda r=raw: profile_for(r.header, r),
        }
        columns.append({name: seconds(step, repeat) / unit for name, step in steps.items()})
    for name in columns[0]:
        lines.append(f"| {name} | " + " | ".join(f"{column[name]:.3f}" for column in columns) + " |")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megapixels", type=float, default=24)
    parser.add_argument("--repeat", type=int, default=5)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        paths = make(Path(folder), options.megapixels)
        print(f"CPU time as a multiple of LibRaw's unpack, {options.megapixels:g} megapixels, one thread\n")
        print(table(paths, options.repeat))


if __name__ == "__main__":
    main()
