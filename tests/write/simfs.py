"""A file system in memory that loses power: what is not synced may survive, vanish or be torn, in any combination.

The model is what POSIX promises and no more: `fsync` of a file keeps its bytes, `fsync` of a folder keeps its names.
Until then each pending change of a name is kept or lost on its own, and each pending write is kept, lost, torn in the
middle, or (where it made the file longer) kept as zeros. A rename within a folder is one change: whole or not at all.
The same assumptions stand behind SQLite's crash tests (sqlite.org/testing.html, "crash testing") and behind
docs/crash-safety.md.
"""

from __future__ import annotations

import copy
import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from xmpsync.disk.files import FileStat

MANY = 4
"""Up to this many pending things, every subset is tried; above it none, all, every prefix, each alone, all but each."""


SKIP, DELAY = "skip", "delay"
Hook = Callable[[str, Path], "str | None"]


def counts(kind: str, path: Path) -> bool:
    """Steps that change what a name of the shoot stands for, or that end a run: what a sync must come before."""
    if "runs" in path.parts:
        return kind == "replace" and path.name == "outcome.json"
    return kind in ("replace", "remove", "write", "truncate") and path.suffix != ".tmp"


def must_wait(kind: str, path: Path, synced: Path) -> bool:
    """Whether this step must not happen before `synced` is durable. What a run keeps, and a temporary file, come before
    the next step that counts; a file changed in place before the next step on itself, or before the run's end."""
    in_place = "runs" not in synced.parts and synced.suffix in (".dng", ".xmp")
    return counts(kind, path) and (not in_place or path == synced or path.name == "outcome.json")


class PowerLoss(BaseException):
    """The power goes, or the process is killed. No `except Exception` may stop it."""


@dataclass
class Node:
    """A file: the bytes a reader sees, the bytes on the medium, and the writes in between."""

    seen: bytes = b""
    kept: bytes = b""
    pending: list[tuple[str, int, bytes]] = field(default_factory=list)


@dataclass
class Folder:
    seen: dict[str, Any] = field(default_factory=dict)
    kept: dict[str, Any] = field(default_factory=dict)
    pending: list[tuple[str, str, Any, str]] = field(default_factory=list)


def written(data: bytes, change: tuple[str, int, bytes]) -> bytes:
    kind, offset, new = change
    if kind == "truncate":
        return data[:offset] + bytes(max(0, offset - len(data)))
    if offset > len(data):
        data = data + bytes(offset - len(data))
    return data[:offset] + new + data[offset + len(new) :]


def renamed(names: dict[str, Any], change: tuple[str, str, Any, str]) -> dict[str, Any]:
    kind, name, node, source = change
    names = dict(names)
    if kind == "unlink":
        names.pop(name, None)
    else:
        names[name] = node
    if kind == "rename" and names.get(source) is node:
        del names[source]
    return names


def subsets(n: int) -> Iterator[tuple[int, ...]]:
    """Which of n pending things survive."""
    if n <= MANY:
        for size in range(n + 1):
            yield from itertools.combinations(range(n), size)
        return
    found = {tuple(range(k)) for k in range(n + 1)} | {(k,) for k in range(n)}
    found |= {tuple(j for j in range(n) if j != k) for k in range(n)}
    yield from sorted(found)


SECTOR_WRITE = 8
"""A write this short (the pointer to a packet) lies in one sector on most media; `tear_small` tears it all the same."""


def outcomes(node: Node, tear_small: bool) -> list[bytes]:
    """What may be on the medium of one file."""
    found: dict[bytes, None] = {}
    for chosen in subsets(len(node.pending)):
        data = node.kept
        for index in chosen:
            data = written(data, node.pending[index])
        found[data] = None
    for index, (kind, offset, new) in enumerate(node.pending):
        if kind != "write" or len(new) < 2 or (not tear_small and len(new) <= SECTOR_WRITE):
            continue
        data = node.kept
        for earlier in node.pending[:index]:
            data = written(data, earlier)
        half = len(new) // 2
        found[written(data, ("write", offset, new[:half]))] = None
        found[written(data, ("write", offset + half, new[half:]))] = None
        if offset >= len(node.kept):
            found[written(data, ("write", offset, bytes(len(new))))] = None
    return list(found)


def _thinned(things: list[Any], limit: int) -> list[Any]:
    """At most `limit` of them, evenly spread, the first and the last among them."""
    if len(things) <= limit:
        return things
    return [things[round(k * (len(things) - 1) / max(1, limit - 1))] for k in range(limit)]


class SimFile:
    def __init__(self, fs: SimFS, node: Node, path: Path) -> None:
        self._fs, self._node, self._path, self._at = fs, node, path, 0

    def write(self, data: bytes) -> None:
        self.write_at(self._at, data)
        self._at += len(data)

    def write_at(self, offset: int, data: bytes) -> None:
        self._fs.step("write", self._path)
        self._change(("write", offset, data))

    def truncate(self, size: int) -> None:
        self._fs.step("truncate", self._path)
        self._change(("truncate", size, b""))

    def _change(self, change: tuple[str, int, bytes]) -> None:
        self._node.pending.append(change)
        self._node.seen = written(self._node.seen, change)

    def sync(self) -> None:
        def keep() -> None:
            self._node.kept, self._node.pending = self._node.seen, []

        self._fs.step("sync", self._path, keep)

    def close(self) -> None: ...
    def __enter__(self) -> SimFile:
        return self

    def __exit__(self, *_: object) -> None: ...


class SimLock:
    def __init__(self, fs: SimFS, node: Node, owned: bool) -> None:
        self._fs, self._node, self.owned = fs, node, owned

    def read(self) -> bytes:
        return self._node.seen

    def write(self, data: bytes) -> None:
        self._node.seen = data
        self._node.pending = [("truncate", 0, b""), ("write", 0, data)]

    def close(self) -> None:
        if self.owned:
            self._fs.locked = False


class SimFS:
    """`hook(kind, path)` is asked before each step that changes something. It may raise; of a sync it may answer
    `SKIP`, or `DELAY`: the sync then happens after the next step that counts."""

    def __init__(self, hook: Hook | None = None) -> None:
        self.root = Folder()
        self.hook = hook
        self.locked = False
        self._waiting: list[tuple[Path, Callable[[], None]]] = []
        self._due: list[Callable[[], None]] = []

    # -- what a test does -------------------------------------------------------------------------------------------

    def place(self, path: str, data: bytes) -> None:
        """Put a durable file there, with its folders, as somebody else's program would."""
        folder = self.root
        *parents, name = PurePosixPath(path).parts[1:]
        for part in parents:
            for names in (folder.seen, folder.kept):
                names.setdefault(part, folder.seen.get(part) or Folder())
            folder = folder.seen[part]
        folder.seen[name] = folder.kept[name] = Node(data, data)

    def make_folder(self, path: str) -> None:
        self.place(path + "/x", b"")
        folder = self._folder(Path(path))
        del folder.seen["x"], folder.kept["x"]

    def files(self, path: str = "/") -> dict[str, bytes]:
        found: dict[str, bytes] = {}

        def walk(folder: Folder, at: str) -> None:
            for name, node in folder.seen.items():
                if isinstance(node, Folder):
                    walk(node, f"{at}{name}/")
                else:
                    found[f"{at}{name}"] = node.seen

        walk(self._folder(Path(path)), "")
        return found

    def after_power_loss(self, limit: int = 10**9, *, tear_small: bool = True) -> Iterator[SimFS]:
        """Every state that the medium may be in, as fresh file systems; thinned evenly down to `limit`."""
        folders, nodes = self._all()
        choices: list[list[Any]] = []
        dirty_folders = [folder for folder in folders if folder.pending]
        dirty_nodes = [node for node in nodes if node.pending]
        names = [(folder, change) for folder in dirty_folders for change in folder.pending]
        choices.append(list(subsets(len(names))))
        if len(dirty_nodes) <= 2:
            choices += [outcomes(node, tear_small) for node in dirty_nodes]
            combos = list(itertools.product(*choices))
        else:
            columns = [outcomes(node, tear_small) for node in dirty_nodes]
            longest = max(len(column) for column in columns)
            rows = [tuple(column[k % len(column)] for column in columns) for k in range(longest)]
            combos = [(chosen, *row) for chosen in choices[0] for row in rows]
        for chosen, *data in _thinned(combos, limit):
            kept = {id(folder): folder.kept for folder in dirty_folders}
            for which in chosen:
                folder, change = names[which]
                kept[id(folder)] = renamed(kept[id(folder)], change)
            bytes_of = {id(node): value for node, value in zip(dirty_nodes, data, strict=True)}
            yield self._copy(lambda f, k=kept: k.get(id(f), f.kept), lambda n, b=bytes_of: b.get(id(n), n.kept))

    def after_kill(self) -> SimFS:
        """The same disk for the next process: everything is seen, nothing more is durable."""
        fresh = SimFS()
        fresh.root = copy.deepcopy(self.root)
        return fresh

    def _copy(self, names: Callable[[Folder], dict[str, Any]], data: Callable[[Node], bytes]) -> SimFS:
        fresh = SimFS()

        def walk(folder: Folder) -> Folder:
            made = Folder()
            for name, node in names(folder).items():
                if isinstance(node, Folder):
                    child: Any = walk(node)
                else:
                    child = Node(data(node), data(node))
                made.seen[name] = made.kept[name] = child
            return made

        fresh.root = walk(self.root)
        return fresh

    def _all(self) -> tuple[list[Folder], list[Node]]:
        """Every folder and file that is seen, kept, or named by a pending change."""
        folders: dict[int, Folder] = {}
        nodes: dict[int, Node] = {}

        def walk(folder: Folder) -> None:
            if id(folder) in folders:
                return
            folders[id(folder)] = folder
            pending = [change[2] for change in folder.pending if change[2] is not None]
            for node in [*folder.seen.values(), *folder.kept.values(), *pending]:
                if isinstance(node, Folder):
                    walk(node)
                else:
                    nodes[id(node)] = node

        walk(self.root)
        return list(folders.values()), list(nodes.values())

    # -- what the writer does ---------------------------------------------------------------------------------------

    def step(self, kind: str, path: Path, sync: Callable[[], None] | None = None) -> None:
        verdict = self.hook(kind, path) if self.hook is not None else None
        self.catch_up(due_only=True)
        self._due += [late for synced, late in self._waiting if must_wait(kind, path, synced)]
        self._waiting = [(synced, late) for synced, late in self._waiting if not must_wait(kind, path, synced)]
        if sync is not None and verdict == DELAY:
            self._waiting.append((path, sync))
        elif sync is not None and verdict != SKIP:
            sync()

    def catch_up(self, *, due_only: bool = False) -> None:
        """Do the syncs that a hook delayed."""
        for sync in self._due if due_only else self._due + [late for _, late in self._waiting]:
            sync()
        self._due = []
        if not due_only:
            self._waiting = []

    def _find(self, path: Path) -> Any:
        node: Any = self.root
        for part in path.parts[1:]:
            if not isinstance(node, Folder) or part not in node.seen:
                return None
            node = node.seen[part]
        return node

    def _folder(self, path: Path) -> Folder:
        node = self._find(path)
        if not isinstance(node, Folder):
            raise FileNotFoundError(2, "no such folder", str(path))
        return node

    def _name(self, folder: Folder, change: tuple[str, str, Any, str]) -> None:
        folder.pending.append(change)
        folder.seen = renamed(folder.seen, change)

    def stat(self, path: Path) -> FileStat | None:
        node = self._find(path)
        if node is None:
            return None
        is_dir = isinstance(node, Folder)
        return FileStat(0 if is_dir else len(node.seen), is_dir, not is_dir, False, 1)

    def real_path(self, path: Path) -> Path:
        return path

    def follow(self, path: Path) -> Path:
        self._folder(path.parent)
        return path

    def read(self, path: Path, offset: int = 0, size: int | None = None) -> bytes:
        node = self._find(path)
        if not isinstance(node, Node):
            raise FileNotFoundError(2, "no such file", str(path))
        return node.seen[offset:] if size is None else node.seen[offset : offset + size]

    def list_dir(self, path: Path) -> tuple[str, ...]:
        return tuple(sorted(self._folder(path).seen))

    def make_dir(self, path: Path) -> None:
        self.step("make_dir", path)
        folder = self._folder(path.parent)
        if path.name in folder.seen:
            raise FileExistsError(17, "exists", str(path))
        self._name(folder, ("link", path.name, Folder(), ""))

    def create(self, path: Path) -> SimFile:
        self.step("create", path)
        folder = self._folder(path.parent)
        if path.name in folder.seen:
            raise FileExistsError(17, "exists", str(path))
        node = Node()
        self._name(folder, ("link", path.name, node, ""))
        return SimFile(self, node, path)

    def open_in_place(self, path: Path) -> SimFile:
        self.step("open_in_place", path)
        node = self._find(path)
        assert isinstance(node, Node)
        return SimFile(self, node, path)

    def copy_attributes(self, model: Path, target: Path) -> bool:
        self.step("copy_attributes", target)
        return True

    def replace(self, source: Path, target: Path) -> None:
        self.step("replace", target)
        assert source.parent == target.parent, "a rename across folders is not atomic everywhere"
        folder = self._folder(target.parent)
        self._name(folder, ("rename", target.name, folder.seen[source.name], source.name))

    def remove(self, path: Path) -> None:
        self.step("remove", path)
        folder = self._folder(path.parent)
        if path.name not in folder.seen:
            raise FileNotFoundError(2, "no such file", str(path))
        self._name(folder, ("unlink", path.name, None, ""))

    def remove_dir(self, path: Path) -> None:
        self.step("remove_dir", path)
        assert not self._folder(path).seen
        self._name(self._folder(path.parent), ("unlink", path.name, None, ""))

    def sync_dir(self, path: Path) -> bool:
        folder = self._folder(path)

        def keep() -> None:
            folder.kept, folder.pending = dict(folder.seen), []

        self.step("sync_dir", path, keep)
        return True

    def open_lock(self, path: Path) -> SimLock:
        self.step("open_lock", path)
        folder = self._folder(path.parent)
        if path.name not in folder.seen:
            self._name(folder, ("link", path.name, Node(), ""))
        if self.locked:
            return SimLock(self, folder.seen[path.name], False)
        self.locked = True
        return SimLock(self, folder.seen[path.name], True)

    def pause(self, seconds: float) -> None: ...
