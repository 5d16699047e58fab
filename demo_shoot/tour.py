"""`python -m demo_shoot.tour DIR`: make the demo shoot and walk through every command, each one shown.

The tour ends at the page DIR/report.html, opened where it runs in a terminal; the shoot itself ends as it began,
rolled back.
"""

from __future__ import annotations

import json
import shlex
import shutil
import subprocess
import sys
import webbrowser
from pathlib import Path


def main() -> int:
    """Make the shoot and run the commands; the first one that surprises ends the tour with its exit code."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "scratch/demo")
    shoot = folder / "jubilee"
    if shoot.exists():
        shutil.rmtree(shoot)  # made by an earlier tour
    folder.mkdir(parents=True, exist_ok=True)
    _run("Make the shoot", [sys.executable, "-m", "demo_shoot", "--quiet", str(shoot)], (0,))
    truth = json.loads((shoot / "truth.json").read_text(encoding="utf-8"))
    reference = ["--reference", truth["reference"]]
    xmpsync = [sys.executable, "-m", "xmpsync"]
    steps = [
        ("How far is skin off now?", ["check", str(shoot), *reference], (0, 1)),
        ("Look first", ["correct", str(shoot), *reference, "--dry-run"], (0,)),
        ("Write", ["correct", str(shoot), *reference, "--yes", "--report", str(folder / "report.html")], (0,)),
        ("How far is it off now?", ["check", str(shoot)], (0, 1)),
        ("What was written", ["runs", str(shoot)], (0,)),
        ("Take it back", ["rollback", str(shoot), "--yes"], (0,)),
    ]
    for title, arguments, accepted in steps:
        _run(title, [*xmpsync, *arguments], accepted)
    print("\nNow with your own photos (a copy of a folder of RAW files for a start; `make clean` removes this demo):")
    program = Path(sys.executable).with_name("xmpsync")
    tool = shlex.quote(str(program)) if program.exists() else "xmpsync"
    for words in (
        "references FOLDER",
        "correct FOLDER --reference FRAME --dry-run",
        "correct FOLDER --reference FRAME",
    ):
        print(f"  {tool} {words}")
    print(f"The demo's page, alive: {tool} {shlex.join(['review', str(shoot), *reference])}")
    page = folder / "report.html"
    print(f"\nThe page to look at: {page}", flush=True)
    if sys.stdout.isatty():
        webbrowser.open(page.absolute().as_uri())
    return 0


def _run(title: str, command: list[str], accepted: tuple[int, ...]) -> None:
    shown = ["xmpsync" if part == "xmpsync" else part for part in command[1:] if part != "-m"]
    print(f"\n=== {title}\n$ {shlex.join(shown)}", flush=True)
    code = subprocess.run(command, check=False).returncode
    if code not in accepted:
        raise SystemExit(f"{shlex.join(shown)} ended with exit code {code}")


if __name__ == "__main__":
    sys.exit(main())
