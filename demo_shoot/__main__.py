"""``python -m demo_shoot OUT_DIR``: make the invented shoot there."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from demo_shoot.event import make_shoot


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m demo_shoot", description=__doc__)
    parser.add_argument("folder", type=Path, help="where to put the shoot; made if missing")
    parser.add_argument("--seed", type=int, default=1, help="another seed gives other noise and other camera whites")
    parser.add_argument("--quiet", action="store_true", help="do not list the frames")
    parser.add_argument("--jobs", type=int, default=min(4, os.cpu_count() or 1), help="processes that share the work")
    options = parser.parse_args(arguments)
    foreign = [
        path for path in options.folder.glob("*") if not path.name.startswith(("jubilee_", "truth.json", ".xmpsync"))
    ]
    if foreign:
        print(
            f"{options.folder} holds other files ({foreign[0].name}, ...). Nothing was written. Name an empty folder.",
            file=sys.stderr,
        )
        return 2
    truth = make_shoot(options.folder, options.seed, _silent if options.quiet else _tell, jobs=options.jobs)
    print(f"{len(truth['frames'])} frames in {options.folder}; suggested reference: {truth['reference']}")
    return 0


def _tell(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def _silent(line: str) -> None:
    """Say nothing."""


if __name__ == "__main__":
    raise SystemExit(main())
