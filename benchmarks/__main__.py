"""``python -m benchmarks``: every bench in its short form, one after the other. Each has its own command for more."""

from __future__ import annotations

import subprocess
import sys

SHORT = (
    ("benchmarks.packets", "speed"),
    ("benchmarks.speed", "--quick"),
    ("benchmarks.faces", "--frames", "12", "--empty", "30"),
    ("benchmarks.skin", "--quick"),
    ("benchmarks.solve",),
    ("benchmarks.scale",),
    ("benchmarks.attack", "200"),
    ("benchmarks.whole_shoot",),
)


def main() -> int:
    """Run all; the exit code is that of the first bench that could not run."""
    code = 0
    for module, *arguments in SHORT:
        print(f"\n=== python -m {module} {' '.join(arguments)}", flush=True)
        code = code or subprocess.run([sys.executable, "-m", module, *arguments], check=False).returncode
    return code


if __name__ == "__main__":
    sys.exit(main())
