"""Peak memory of reading one frame, each step in a fresh process, as a ratio to LibRaw's unpack (Linux).

Run: python -m benchmarks.read.memory [--megapixels 24]
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from benchmarks.read.timing import make

_STEPS = {
    "LibRaw unpack": "import rawpy; r = rawpy.imread(path); r.unpack()",
    "LibRaw half-size render": "import rawpy; rawpy.imread(path).postprocess(half_size=True, output_bps=16)",
    "LibRaw full render": "import rawpy; rawpy.imread(path).postprocess(output_bps=16)",
    "open_raw, cells at 1024 px, one face": (
        "from pathlib import Path; from xmpsync.read.raw import open_raw; from xmpsync.records import Box;"
        "r = open_raw(Path(path)); r.cells(reduce=3); r.cells(Box(0.4, 0.3, 0.12, 0.18))"
    ),
    "open_raw, all cells": (
        "from pathlib import Path; from xmpsync.read.raw import open_raw; open_raw(Path(path)).cells()"
    ),
}
# not ru_maxrss, which a process inherits from the one that started it
_PEAK = "import sys; peak = lambda: int(open('/proc/self/status').read().split('VmHWM:')[1].split()[0]);"
# what is there before the step: the interpreter with the libraries it needs
_LIBRARIES = "import rawpy, numpy, xmpsync.read.raw;"


def peak(step: str, path: Path) -> int:
    """Growth of the peak resident size over a process that only imports."""
    program = f"{_PEAK}{_LIBRARIES} before = peak(); path = sys.argv[1]\n{step}\nprint(peak() - before)"
    done = subprocess.run([sys.executable, "-c", program, str(path)], capture_output=True, text=True, check=True)
    return int(done.stdout.split()[-1])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megapixels", type=float, default=24)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = make(Path(folder), options.megapixels)["lossless, one strip"]
        unit = peak(_STEPS["LibRaw unpack"], path)
        print("| step | peak memory, multiple of LibRaw's unpack |\n|---|---|")
        for name, step in _STEPS.items():
            print(f"| {name} | {peak(step, path) / unit:.2f} |")


if __name__ == "__main__":
    main()
