"""Mutants of a real shoot, judged from outside: `python -m benchmarks.attack [TRIES] [SEED] [--commands]`.

Each try takes a shoot with a few runs, changes its `.xmpsync` at random (a field, a type, a path, bytes, a link,
another kind of file), and lets every act that commands do with a state folder loose on it, in a forked child with
bounded memory and time. With `--commands` real command lines take the acts' place, on four measured frames, and the
sidecars are changed too. Counted are: files outside changed, tracebacks, hangs, control characters in what is printed,
memory, and shoots in which a run does not go through afterwards, if need be with the state folder moved away as the
messages advise. Everything lies in memory where the system has a folder for that, and nothing is synced: what a power
loss does is not judged here.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from benchmarks.attack import acts, shoots
from benchmarks.attack.mutants import mutate
from xmpsync.disk import system

MEMORY_BYTES = 1 << 30
CPU_S, WALL_S = 10, 60
"""A hang takes no processor time, so that on a busy machine both bounds are needed."""
PROGRESS_S = 20.0


def seen(folder: Path) -> dict[str, object]:
    """Everything in a folder but times of access."""
    found: dict[str, object] = {}
    for path in sorted(folder.rglob("*")):
        status = path.lstat()
        data = path.read_bytes() if path.is_file() else None
        found[str(path.relative_to(folder))] = status.st_mode, status.st_mtime_ns, data
    return found


def in_a_child(root: Path, act: Callable[[], str]) -> tuple[str, int]:
    """What went wrong in `act` with bounded time and memory, "" if nothing; and the most memory that it took."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            in_use = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
            resource.setrlimit(resource.RLIMIT_AS, (in_use + MEMORY_BYTES,) * 2)
            resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S))
            signal.alarm(WALL_S)
            (root / "trouble").write_text(act(), errors="backslashreplace")
            code = 0
        finally:
            os._exit(code)
    _, status, used = os.wait4(child, 0)
    if os.WIFSIGNALED(status):
        hung = os.WTERMSIG(status) in (signal.SIGALRM, signal.SIGXCPU, signal.SIGKILL)
        return "a hang" if hung else f"signal {os.WTERMSIG(status)}", used.ru_maxrss * 1024
    trouble = "the child failed" if os.WEXITSTATUS(status) else (root / "trouble").read_text()
    if used.ru_maxrss * 1024 > MEMORY_BYTES:
        trouble = trouble or f"{used.ru_maxrss // 1024} MB of memory"
    return trouble, used.ru_maxrss * 1024


def attack(folder: Path, nth: int, seed: int, *, by_command: bool) -> tuple[str, str, int]:
    """One try on a fresh copy of the model: what was changed, what went wrong ("" if nothing), bytes of memory."""
    chance = random.Random(seed * 1_000_003 + nth)
    root = folder / "try"
    shutil.copytree(folder / "model", root, symlinks=True, copy_function=_copy)
    victim = root / "victim"
    places = [root / "shoot" / ".xmpsync"] * (3 if by_command else 1)
    places += [root / "shoot"] if by_command else []
    spared = shoots.REFERENCE  # without its reference no run goes through, and rightly
    changes = [mutate(chance, chance.choice(places), victim, spared=spared) for _ in range(chance.choice((1, 1, 2)))]
    before = seen(victim)
    trouble, memory = in_a_child(
        root, lambda: acts.commands(root, chance) if by_command else acts.below_the_commands(root)
    )
    if seen(victim) != before:
        trouble = "a file outside was changed"
    shutil.rmtree(root)
    return "; ".join(changes), trouble, memory


def _copy(source: str, target: str) -> None:
    """A copy with its time, by which the store knows a frame again; a pipe becomes a pipe."""
    if Path(source).is_fifo():
        os.mkfifo(target)
    else:
        shutil.copy2(source, target, follow_symlinks=False)


def make_model(folder: Path, *, by_command: bool) -> None:
    """The shoot of all tries, made where a try will lie: its links are absolute."""
    root = folder / "try"
    root.mkdir()
    if by_command:
        shoots.without_workers()
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            shoots.measured(root)
    else:
        shoots.small(root)
    root.rename(folder / "model")


def main(tries: int, seed: int, *, by_command: bool, first: int = 0) -> int:
    """Print how many tries went wrong, and how."""
    system.full_sync = lambda fd: None
    wrong: Counter[str] = Counter()
    most, since, told = 0, time.monotonic(), time.monotonic()
    in_memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=in_memory if in_memory.is_dir() else None) as name:
        make_model(Path(name), by_command=by_command)
        for nth in range(first, first + tries):
            what, trouble, memory = attack(Path(name), nth, seed, by_command=by_command)
            most = max(most, memory)
            if trouble:
                wrong[trouble.strip().splitlines()[-1][:110]] += 1
                print(f"try {nth} ({what}):\n{trouble}", flush=True)
            if time.monotonic() - told > PROGRESS_S:
                told = time.monotonic()
                print(f"{nth + 1 - first} of {tries}, {sum(wrong.values())} wrong, {told - since:.0f} s", flush=True)
    print(f"{tries} mutants, seed {seed}: {sum(wrong.values())} went wrong; at most {most >> 20} MB of memory, "
          f"{time.monotonic() - since:.0f} s")  # fmt: skip
    for trouble, n in wrong.most_common():
        print(f"{n:6} {trouble}")
    return 1 if wrong else 0


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("tries", type=int, nargs="?", default=500)
    parser.add_argument("seed", type=int, nargs="?", default=1)
    parser.add_argument("--commands", action="store_true", help="real command lines on a measured shoot")
    parser.add_argument("--first", type=int, default=0, help="number of the first try, to repeat one")
    asked = parser.parse_args()
    sys.exit(main(asked.tries, asked.seed, by_command=asked.commands, first=asked.first))
