"""`python -m demo_shoot.tour DIR`: make the demo shoot and walk through the commands, each one shown.

The tour writes the page DIR/report.html, rolls the shoot back and, in a terminal, ends at the same page alive.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

MOST_ROUNDS = 12
"""Rounds of questions about faces; ten settle nearly all of them."""
XMPSYNC = [sys.executable, "-m", "xmpsync"]


def main() -> int:
    """Make the shoot and run the commands; the first one that surprises ends the tour with its exit code."""
    parser = argparse.ArgumentParser(prog="python -m demo_shoot.tour", description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?", default=Path("scratch/demo"), help="where the shoot is made")
    folder: Path = parser.parse_args().folder
    shoot, page = folder / "jubilee", folder / "report.html"
    if shoot.exists():
        shutil.rmtree(shoot)  # made by an earlier tour
    folder.mkdir(parents=True, exist_ok=True)
    print(f"Making an invented shoot in {shoot}; half a minute.", flush=True)
    made = subprocess.run(
        [sys.executable, "-m", "demo_shoot", "--quiet", str(shoot)], check=False, stdout=subprocess.PIPE
    )
    if made.returncode:
        return made.returncode
    truth = json.loads((shoot / "truth.json").read_text(encoding="utf-8"))
    reference = ["--reference", truth["reference"]]
    _xmpsync(["correct", str(shoot), *reference, "--dry-run"])
    names = _names(shoot, truth)
    if names:
        print("Drawn heads look alike to a network trained on photographs: say who is who.", flush=True)
        _xmpsync(["people", str(shoot), *names])
    _xmpsync(["correct", str(shoot), *reference, "--yes", "--report", str(page)])
    _xmpsync(["check", str(shoot)], (0, 1))
    _xmpsync(["rollback", str(shoot), "--yes"])
    program = Path(os.path.relpath(Path(sys.executable).with_name("xmpsync")))
    tool = shlex.quote(str(program)) if program.exists() else "xmpsync"
    print(f"The page, alive: {tool} review {shlex.quote(str(shoot))}")
    print("Now with your own photos (at first a copy of a folder of RAW files):")
    for words in (
        "references FOLDER",
        "correct FOLDER --reference FRAME --dry-run",
        "correct FOLDER --reference FRAME",
    ):
        print(f"  {tool} {words}")
    if sys.stdout.isatty():
        with contextlib.suppress(KeyboardInterrupt):  # Ctrl-C ends the page
            _xmpsync(["review", str(shoot), *reference])
    return 0


def _names(shoot: Path, truth: dict[str, Any]) -> list[str]:
    """`--name` for the faces that `people` asks about, answered from the truth file until none is new."""
    frames = {frame["frame"]: frame["people"] for frame in truth["frames"]}
    words: list[str] = []
    for _ in range(MOST_ROUNDS):
        n_before = len(words)
        asked = subprocess.run(
            [*XMPSYNC, "people", str(shoot), *words, "--json"], check=True, capture_output=True, text=True
        )
        for face in json.loads(asked.stdout)["ask"]:
            x, y = face["place"]
            for person in frames[Path(face["frame"]).stem]:
                left, top, width, height = person["box"]
                if left <= x <= left + width and top <= y <= top + height:
                    words += ["--name", f"{Path(face['frame']).stem}@{x:.2f},{y:.2f}={person['name']}"]
        if len(words) == n_before:
            break
    return words


def _xmpsync(arguments: list[str], accepted: tuple[int, ...] = (0,)) -> None:
    _run([*XMPSYNC, *arguments], accepted)


def _run(command: list[str], accepted: tuple[int, ...]) -> None:
    n_names = command.count("--name")
    end = command.index("--name") + 4 if n_names > 2 else len(command)
    shown = shlex.join(command[2:end]) + (f" ... ({n_names} names in all)" if n_names > 2 else "")
    bold, plain = ("\x1b[1m", "\x1b[0m") if sys.stdout.isatty() and not os.environ.get("NO_COLOR") else ("", "")
    print(f"{bold}$ {shown}{plain}", flush=True)
    code = subprocess.run(command, check=False).returncode
    if code not in accepted:
        raise SystemExit(f"{shown} ended with exit code {code}")


if __name__ == "__main__":
    sys.exit(main())
