"""Mutants of a real state folder, judged from outside: `python -m benchmarks.attack [TRIES] [SEED]`.

Each try takes a shoot with three runs (one of them not ended), changes its `.xmpsync` at random (a field, a type, a
path, bytes, a link, another kind of file), and lets every act that commands do with a state folder loose on it, in a
child with bounded memory and time. Then it counts: files outside changed, tracebacks, hangs, and shoots in which a run
does not go through afterwards, if need be with the state folder moved away as the messages advise.
"""

from __future__ import annotations

import json
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import traceback
from collections import Counter
from pathlib import Path
from typing import Any

from tests.store.test_database import KEY, MEASUREMENT
from tests.write.disk import Shoot, corrected, packet
from tests.write.tinydng import tiny_dng
from xmpsync.disk import system
from xmpsync.errors import XmpsyncError
from xmpsync.store.database import Store
from xmpsync.write.recover import recover, unfinished
from xmpsync.write.rollback import perform_rollback, plan_rollback
from xmpsync.write.runs import list_runs, prunable, prune, remembered, verify_runs, written_by_us

KINDS = ("file link", "folder link", "dangling link", "hard link", "pipe", "device", "folder", "sparse")
MEMORY_BYTES = 1 << 30
SECONDS = 10
VALUES: tuple[Any, ...] = (
    None, 0, -1, 1, 7.5, 10**13, 10**400, 1e308, True, "", ".", "..", "../../victim/a.xmp", "/dev/zero", "a\0",
    "\ud800", "\x1b[31m", "x" * 100_000, [], {}, [[]] * 9, {"a": {"a": {}}}, "day/a.xmp", "link.xmp", "K1.nef",
    ".xmpsync/lock",    "rollback", "embedded", "sidecar", "complete", "0" * 64,
)  # fmt: skip


def build(root: Path) -> None:
    """The shoot that every try starts from, with a victim beside it."""
    victim = root / "victim"
    (victim / "deep").mkdir(parents=True)
    (victim / "a.xmp").write_bytes(packet())
    (victim / "deep" / "b.dng").write_bytes(tiny_dng())
    with Store(victim / "other.sqlite") as other:
        other.put(KEY, "k", "c", MEASUREMENT)
    (root / "shoot").mkdir()
    shoot = Shoot(root / "shoot")
    shoot.put("a.xmp", packet())
    shoot.put("b.dng", tiny_dng("<", packet()))
    shoot.put("K1.nef", b"raw")
    shoot.run(shoot.change("a.xmp", corrected(packet())))
    shoot.run(shoot.embedding("b.dng", corrected(packet()) + b" " * 60), shoot.change("a.xmp", packet(4100)))
    shoot.run(shoot.change("a.xmp", packet(4300)), shoot.change("c.xmp", packet(4400)))
    (sorted((shoot.state / "runs").iterdir())[-1] / "outcome.json").unlink()
    with Store(shoot.state / "measurements.sqlite") as store:
        store.put(KEY, "k", "c", MEASUREMENT)
    (shoot.root / "day").symlink_to(victim, target_is_directory=True)
    (shoot.root / "link.xmp").symlink_to(victim / "a.xmp")
    (shoot.root / "dangling.xmp").symlink_to(victim / "made.xmp")


def mutate(chance: random.Random, state: Path, victim: Path) -> str:
    """One random change; what it was."""
    files = sorted(path for path in state.rglob("*") if not path.is_symlink())
    path = chance.choice(files)
    if path.suffix == ".json" and path.is_file() and path.stat().st_size < MEMORY_BYTES and chance.random() < 0.8:
        return _field(chance, path)
    if path.is_file() and 0 < path.stat().st_size < MEMORY_BYTES and chance.random() < 0.5:
        data = bytearray(path.read_bytes())
        for _ in range(chance.choice((1, 4, 64))):
            data[chance.randrange(len(data))] = chance.randrange(256)
        path.write_bytes(data[: chance.choice((len(data), len(data), chance.randrange(len(data) + 1)))])
        return f"bytes of {path.name}"
    return _kind(chance, path, state, victim)


def _field(chance: random.Random, path: Path) -> str:
    try:
        tree = json.loads(path.read_bytes())
    except ValueError:  # its bytes were changed before
        return "nothing more"
    places: list[tuple[Any, Any]] = []

    def walk(value: Any) -> None:
        for key in list(value) if isinstance(value, dict) else range(len(value)):
            places.append((value, key))
            if isinstance(value[key], dict | list):
                walk(value[key])

    walk(tree)
    for _ in range(chance.choice((1, 1, 2, 5))):
        holder, key = chance.choice(places)
        try:
            if chance.random() < 0.15:
                del holder[key]
            else:
                holder[key] = chance.choice(VALUES)
        except LookupError:
            continue
    path.write_text(json.dumps(tree))
    return f"field {key!r} of {path.name}"


def _kind(chance: random.Random, path: Path, state: Path, victim: Path) -> str:
    if path == state / "measurements.sqlite" and chance.random() < 0.7:
        path = path.with_name(path.name + chance.choice(("-journal", "-wal", "-shm")))
    kind = chance.choice(KINDS)
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    path.unlink(missing_ok=True)
    if kind == "file link":
        path.symlink_to(victim / chance.choice(("a.xmp", "other.sqlite", "deep/b.dng")))
    elif kind == "folder link":
        path.symlink_to(victim, target_is_directory=True)
    elif kind == "dangling link":
        path.symlink_to(victim / "made")
    elif kind == "hard link":
        path.hardlink_to(victim / chance.choice(("a.xmp", "other.sqlite")))
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        path.symlink_to(chance.choice(("/dev/zero", "/dev/random", "/dev/tty")))
    elif kind == "folder":
        path.mkdir()
    else:
        with path.open("wb") as file:
            file.truncate(1 << 42)
    return f"{kind} as {path.name}"


def acts(shoot: Shoot) -> str:
    """Everything that commands do with a state folder; "" or the traceback of the first bug."""

    def store() -> None:
        with Store(shoot.state / "measurements.sqlite") as opened:
            opened.pairs(), opened.get(KEY, "k"), opened.holds_size(1)
            opened.put(KEY, "k2", "c", MEASUREMENT)
            opened.forget_identities()

    state, root = shoot.state, shoot.root
    for act in (
        store,
        lambda: (list_runs(state), verify_runs(state), remembered(state), written_by_us(state), unfinished(state)),
        lambda: shoot.run(shoot.change("a.xmp", packet(4800)), shoot.change("d.xmp", packet(4500))),
        lambda: recover(root, state),
        lambda: perform_rollback(plan_rollback(root, state), root, state),
        lambda: perform_rollback(plan_rollback(root, state, "2", force=True), root, state),
        lambda: (prunable(state, 1), prune(state, 1)),
    ):
        try:
            act()
        except XmpsyncError as error:
            if not (error.what and str(error)):
                return "an error without words"
        except Exception:
            return traceback.format_exc()
    return ""


def afterwards(shoot: Shoot) -> str:
    """A run goes through; where it is refused, it does once the state folder is moved away. "" or what happened."""
    try:
        shoot.run(shoot.change("e.xmp", packet(4600)))
    except XmpsyncError:
        shoot.state.rename(shoot.root / ".moved-away")
        try:
            shoot.run(shoot.change("f.xmp", packet(4700)))
        except Exception:
            return traceback.format_exc()
    except Exception:
        return traceback.format_exc()
    return ""


def seen(folder: Path) -> dict[str, object]:
    """Everything in a folder but times of access."""
    found: dict[str, object] = {}
    for path in sorted(folder.rglob("*")):
        status = path.lstat()
        data = path.read_bytes() if path.is_file() else None
        found[str(path.relative_to(folder))] = status.st_mode, status.st_mtime_ns, data
    return found


def in_a_child(root: Path) -> str:
    """`acts` and `afterwards` with bounded time and memory: "" if all is well."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
            signal.alarm(SECONDS)
            shoot = Shoot(root / "shoot")
            trouble = acts(shoot) or afterwards(shoot)
            (root / "trouble").write_text(trouble)
            code = 0
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return "a hang" if os.WTERMSIG(status) == signal.SIGALRM else f"signal {os.WTERMSIG(status)}"
    if os.WEXITSTATUS(status):
        return "the child failed"
    return (root / "trouble").read_text()


def main(tries: int, seed: int) -> int:
    """Print how many tries went wrong, and how. Nothing is synced: what a power loss does is not judged here."""
    system.full_sync = lambda fd: None  # type: ignore[assignment]
    wrong: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        model = Path(folder) / "model"
        model.mkdir()
        build(model)
        for nth in range(tries):
            chance = random.Random(seed * 1_000_003 + nth)
            root = Path(folder) / "try"
            shutil.copytree(model, root, symlinks=True)
            for name in ("day", "link.xmp", "dangling.xmp"):  # the copy's own victim
                link = root / "shoot" / name
                goal = {"day": "victim", "link.xmp": "victim/a.xmp", "dangling.xmp": "victim/made.xmp"}[name]
                link.unlink()
                link.symlink_to(root / goal)
            what = "; ".join(
                mutate(chance, root / "shoot" / ".xmpsync", root / "victim") for _ in range(chance.choice((1, 1, 2)))
            )
            before = seen(root / "victim")
            trouble = in_a_child(root)
            if seen(root / "victim") != before:
                trouble = "a file outside was changed"
            if trouble:
                wrong[trouble.strip().splitlines()[-1][:110]] += 1
                print(f"try {nth} ({what}):\n{trouble}", flush=True)
            shutil.rmtree(root)
    print(f"{tries} mutants, seed {seed}: {sum(wrong.values())} went wrong")
    for trouble, n in wrong.most_common():
        print(f"{n:6} {trouble}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 500, int(sys.argv[2]) if len(sys.argv) > 2 else 1))
