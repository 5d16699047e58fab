"""How much a DNG's lens-shading opcodes change level and colour, by distance from the middle.

Run: python -m benchmarks.cameras.shading FILE.dng ...   (files with GainMap or FixVignetteRadial opcodes)

What comes out is the size of the error that stays in formats whose shading data is not read.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from xmpsync.read.opcodes import Shading
from xmpsync.read.raw import open_raw

RINGS = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)


def rings(path: Path) -> str:
    """A table: level in EV and colour ratios of corrected over plain cells, per ring of half-diagonal."""
    raw = open_raw(path)
    if not raw.shading_before and not raw.shading_after:
        return f"{path.name}: no lens-shading opcodes"
    reduce = max(1, max(raw.cells_shape) // 200)
    corrected = raw.cells(reduce=reduce).camera
    plain = replace(raw, shading_before=Shading(), shading_after=Shading()).cells(reduce=reduce).camera
    gain = corrected / np.where(plain == 0, np.nan, plain)
    height, width = gain.shape[:2]
    rows, columns = np.indices((height, width))
    radius = np.hypot(rows / height - 0.5, (columns / width - 0.5) * width / height) / np.hypot(
        0.5, 0.5 * width / height
    )
    middle = np.nanmedian(gain[radius < 0.05], axis=0)
    lines = ["| ring of the half diagonal | level, EV | red / green | blue / green |", "|---|---|---|---|"]
    for low, high in pairwise(RINGS):
        inside = np.nanmedian(gain[(radius >= low) & (radius < high)], axis=0) / middle
        lines.append(
            f"| {low:.1f}-{high:.1f} | {np.log2(inside[1]):+.2f} | {inside[0] / inside[1] - 1:+.1%}"
            f" | {inside[2] / inside[1] - 1:+.1%} |"
        )
    return f"{path.name}\n\n" + "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("files", nargs="+", type=Path)
    for path in parser.parse_args().files:
        print(rings(path) + "\n")


if __name__ == "__main__":
    main()
