"""The store's file opened so that nothing in it acts, or set aside and made again: it is a cache, and may be anybody's.

SQLite believes what lies beside a database: a journal whose end names a "super-journal" has that file deleted, and a
database in write-ahead mode makes files (SQLite, "Database File Format", 3 and 4; "Atomic Commit In SQLite", 5). Views,
triggers and generated columns run when a table is read (SQLite, "Defense Against The Dark Arts"). So before anything is
opened the names are looked at, and before anything is read the schema must be ours letter by letter and every page
must be used once (`quick_check`: a page that is reached twice makes a small file endless).
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from xmpsync.disk.fence import Fenced
from xmpsync.disk.files import RealFileSystem, make_dirs

SCHEMA = 3
TABLES = """
CREATE TABLE IF NOT EXISTS measurement (
    path BLOB PRIMARY KEY, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, content TEXT NOT NULL,
    face_key TEXT NOT NULL, version INTEGER NOT NULL, record BLOB NOT NULL, proxy BLOB NOT NULL, embedded BLOB
);
CREATE INDEX IF NOT EXISTS measurement_content ON measurement (size, content);
CREATE TABLE IF NOT EXISTS pair (path BLOB PRIMARY KEY, record BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS sidecar (
    path BLOB PRIMARY KEY, sha256 TEXT NOT NULL, version INTEGER NOT NULL, record BLOB NOT NULL
);
"""
EARLIER = {
    1: (
        "DROP TABLE sidecar; CREATE TABLE mark (path BLOB NOT NULL, record BLOB NOT NULL, PRIMARY KEY (path, record));",
        "DROP TABLE mark;",
    ),
    2: ("DROP TABLE sidecar;", ""),
}
"""Earlier schemas of ours that are taken over: what makes them of `TABLES`, and how what is gone since goes."""
_HEADER = b"SQLite format 3\0"
_JOURNAL_END = bytes.fromhex("d9d505f920a163d7")  # Database File Format, 3: ends a super-journal's name
_ASIDE = ".set-aside-"
_BESIDE = ("-journal", "-wal", "-shm")
_MAX_VALUE_BYTES = 80 << 20
"""Largest value of a row: an embedded packet of 64 MiB."""
_WAIT_S = 10.0


class InDoubt(Exception):
    """The file is not, or not only, what this tool makes. The text is a phrase."""


@dataclass(frozen=True, slots=True)
class Opened:
    """An open database; `remark` tells that the file was set aside, and why."""

    database: sqlite3.Connection
    remark: str | None = None


def in_memory() -> sqlite3.Connection:
    """An empty store that ends with the process."""
    database = sqlite3.connect(":memory:", check_same_thread=False)
    database.executescript(TABLES)
    return database


def open_file(path: Path, *, read_only: bool) -> Opened:
    """The store in `path`, made if missing. A file in doubt is renamed and made anew; read-only, it is left unread.

    Raises OSError and sqlite3.Error where the disk, or another program's lock, stops it.
    """
    fs = RealFileSystem.around(path.parent)
    if read_only and fs.stat(path) is None:
        return Opened(in_memory())
    if not read_only:
        make_dirs(fs, path.parent)
    try:
        return Opened(_open(fs, path, read_only=read_only))
    except InDoubt as error:
        why = f"The measurement store {path} is not one of ours ({error})"
        if read_only:
            return Opened(in_memory(), f"{why}: it is not used.")
        name = _set_aside(fs, path)
        remark = f"{why}: it was renamed to {name}, and measuring starts anew."
        return Opened(_open(fs, path, read_only=False), remark)


def require_place(state: Path) -> None:
    """Make the state folder and try to write into it; OSError where that fails."""
    fs = RealFileSystem.around(state)
    make_dirs(fs, state)
    probe = state / ".probe"
    found = fs.stat(probe)
    if found is not None and not found.is_dir:
        fs.remove(probe)
    fs.create(probe).close()
    fs.remove(probe)


def _open(fs: RealFileSystem, path: Path, *, read_only: bool) -> sqlite3.Connection:
    _look(fs, path)
    mode = "ro" if read_only else "rwc"
    database = sqlite3.connect(
        f"{fs.real_path(path).as_uri()}?mode={mode}", uri=True, timeout=_WAIT_S,
        check_same_thread=not read_only,
    )  # fmt: skip
    try:
        _prepare(database, read_only=read_only)
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:  # a damaged name comes back in the error's own text
        database.close()
        if isinstance(error, sqlite3.OperationalError):
            raise  # locked, disk full, unreadable
        raise InDoubt(str(error)) from error
    except BaseException:
        database.close()
        raise
    return database


def _look(fs: RealFileSystem, path: Path) -> None:
    """InDoubt unless the names are plain files that SQLite takes for nothing but a database and its own journal."""
    for suffix in ("", *_BESIDE):
        name = path.with_name(path.name + suffix)
        found = fs.stat(name)
        if found is None:
            continue
        if not found.is_regular or found.n_names != 1:
            raise InDoubt(f"{name.name} is not a plain file of its own")
        if suffix in ("-wal", "-shm"):
            raise InDoubt(f"{name.name} lies beside it")
        try:
            if suffix == "" and found.size:
                header = fs.read(name, 0, 100)
                if header[:16] != _HEADER or header[18:20] != b"\1\1":
                    raise InDoubt("its header is another one")
            elif suffix and fs.read(name, max(0, found.size - 8), 8) == _JOURNAL_END:
                raise InDoubt("its journal names another file to be deleted")
        except Fenced as error:
            raise InDoubt(str(error.strerror)) from error


def _prepare(database: sqlite3.Connection, *, read_only: bool) -> None:
    database.text_factory = lambda data: data.decode("utf-8", "replace")
    database.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _MAX_VALUE_BYTES)
    for pragma in ("trusted_schema = OFF", "cell_size_check = ON", "mmap_size = 0"):
        database.execute(f"PRAGMA {pragma}")
    found = _schema(database)
    (version,) = database.execute("PRAGMA user_version").fetchone()
    more, take_over = EARLIER.get(version, ("", ""))
    if version not in (0, SCHEMA) and not more:
        raise InDoubt(f"it is of another version of this tool, schema {version}")
    if found or read_only:
        with in_memory() as ours:
            ours.executescript(more)
            expected = _schema(ours)
        ours.close()
        if found != expected:
            raise InDoubt("it holds other tables, views or triggers")
        (verdict,) = database.execute("PRAGMA quick_check(1)").fetchone()
        if verdict != "ok":
            raise InDoubt("it is damaged")
    if not read_only:
        database.executescript(f"BEGIN; {take_over if found else ''} {TABLES} PRAGMA user_version = {SCHEMA}; COMMIT;")


def _schema(database: sqlite3.Connection) -> list[tuple[object, ...]]:
    query = "SELECT type, name, tbl_name, sql FROM sqlite_master LIMIT 100"
    return sorted(database.execute(query).fetchall(), key=repr)


def set_aside(path: Path) -> tuple[str, ...]:
    """The names of the files that were set aside from `path`, and of what lay beside them."""
    fs = RealFileSystem.around(path.parent)
    if fs.stat(path.parent) is None:
        return ()
    return tuple(name for name in fs.list_dir(path.parent) if name.startswith(path.name + _ASIDE))


def delete_set_aside(path: Path) -> tuple[str, ...]:
    """Delete those files; of a link only the link. The names of the deleted ones.

    Nobody can tell what such a file holds, so that taking a part out of it is not possible.
    """
    fs, deleted = RealFileSystem.around(path.parent), []
    for name in set_aside(path):
        found = fs.stat(path.with_name(name))
        if found is not None and not found.is_dir:
            fs.remove(path.with_name(name))
            deleted.append(name)
    return tuple(deleted)


def _set_aside(fs: RealFileSystem, path: Path) -> str:
    """Rename the file and what lies beside it, so that no program takes one for the other's journal; the new name."""
    number = 1
    while fs.stat(path.with_name(f"{path.name}{_ASIDE}{number}")) is not None:
        number += 1
    name = f"{path.name}{_ASIDE}{number}"
    for suffix in (*_BESIDE, ""):
        old = path.with_name(path.name + suffix)
        if fs.stat(old) is not None:
            fs.replace(old, path.with_name(name + suffix.replace("-", ".")))
    return name
