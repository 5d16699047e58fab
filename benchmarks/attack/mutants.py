"""One random change of a shoot that came from somebody else: a field, a type, a path, bytes, a link, a kind of file."""

from __future__ import annotations

import json
import os
import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

NUMBERS = (0.0, -0.0, -1.0, 1e-300, -1e9, 1e11, 1e-9, 0.5, 3.0)
"""For places that hold a number: a type that fits gets further."""
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
    if path.suffix == ".sqlite" and path.is_file() and chance.random() < 0.6:
        return _row(chance, path)
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
    changed = _changed(chance, tree)
    path.write_text(json.dumps(tree))
    return f"{changed} in {path.name}"


def _row(chance: random.Random, path: Path) -> str:
    """One record of a store that SQLite itself finds nothing wrong with."""
    try:
        with closing(sqlite3.connect(path)) as database, database:
            table = chance.choice(("measurement", "measurement", "pair"))
            rows = database.execute(f"SELECT path, record FROM {table} ORDER BY path").fetchall()
            if not rows:
                return "nothing more"
            name, record = chance.choice(rows)
            tree = json.loads(record)
            changed = _changed(chance, tree)
            database.execute(f"UPDATE {table} SET record = ? WHERE path = ?", (json.dumps(tree).encode(), name))
    except (sqlite3.Error, ValueError):
        return "nothing more"
    return f"{changed} in the {table} of {name!r}"


def _changed(chance: random.Random, tree: Any) -> str:
    """Some values of a JSON tree replaced or gone; what was done."""
    places: list[tuple[Any, Any]] = []

    def walk(value: Any) -> None:
        for key in list(value) if isinstance(value, dict) else range(len(value)):
            places.append((value, key))
            if isinstance(value[key], dict | list):
                walk(value[key])

    if isinstance(tree, dict | list):
        walk(tree)
    done = []
    for _ in range(chance.choice((1, 1, 2, 5)) if places else 0):
        holder, key = chance.choice(places)
        try:
            if chance.random() < 0.15:
                del holder[key]
                done.append(f"no {key!r}")
                continue
            like = isinstance(holder[key], float) and chance.random() < 0.7
            holder[key] = chance.choice(NUMBERS if like else VALUES)
            done.append(f"{key!r} = {str(holder[key])[:30]!r}")
        except LookupError:
            continue
    return ", ".join(done)


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
