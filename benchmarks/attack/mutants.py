"""One random change of a shoot that came from somebody else: a field, a type, a path, bytes, a link, a kind of file."""

from __future__ import annotations

import json
import os
import random
import shutil
from pathlib import Path
from typing import Any

KINDS = ("file link", "folder link", "dangling link", "hard link", "pipe", "device", "folder", "sparse")
READABLE_BYTES = 1 << 30
"""Files beyond this were made sparse by an earlier change of the same try."""
VALUES: tuple[Any, ...] = (
    None, 0, -1, 1, 7.5, 10**13, 10**400, 1e308, True, "", ".", "..", "../../victim/a.xmp", "/dev/zero", "a\0",
    "\ud800", "\x1b[31m", "x" * 100_000, [], {}, [[]] * 9, {"a": {"a": {}}}, "day/a.xmp", "link.xmp", "K1.nef",
    ".xmpsync/lock", "rollback", "embedded", "sidecar", "complete", "0" * 64, ["/dev/zero"], ["../../victim/pipe"],
    ["a=b@0.5,0.5"], ["\x1b]0;title\x07"], 1e-9, "wb",
)  # fmt: skip


def mutate(chance: random.Random, place: Path, victim: Path, *, spared: str) -> str:
    """One random change of something below `place`, but not of files whose name begins with `spared`; what it was."""
    files = (path for path in place.rglob("*") if not path.is_symlink() and not path.name.startswith(spared))
    path = chance.choice(sorted(files))
    if path.suffix == ".json" and path.is_file() and path.stat().st_size < READABLE_BYTES and chance.random() < 0.8:
        return _field(chance, path)
    if path.is_file() and 0 < path.stat().st_size < READABLE_BYTES and chance.random() < 0.5:
        data = bytearray(path.read_bytes())
        for _ in range(chance.choice((1, 4, 64))):
            data[chance.randrange(len(data))] = chance.randrange(256)
        path.write_bytes(data[: chance.choice((len(data), len(data), chance.randrange(len(data) + 1)))])
        return f"bytes of {path.name}"
    return _kind(chance, path, victim)


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
    if not places:
        return "nothing more"
    changed = []
    for _ in range(chance.choice((1, 1, 2, 5))):
        holder, key = chance.choice(places)
        try:
            if chance.random() < 0.15:
                del holder[key]
                changed.append(f"no {key!r}")
            else:
                holder[key] = chance.choice(VALUES)
                changed.append(f"{key!r} = {str(holder[key])[:30]!r}")
        except LookupError:
            continue
    path.write_text(json.dumps(tree))
    return f"{', '.join(changed)} in {path.name}"


def _kind(chance: random.Random, path: Path, victim: Path) -> str:
    if path.name == "measurements.sqlite" and chance.random() < 0.7:
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
