"""Measurements, as-shot pairs and what was read in sidecars of one shoot, in one SQLite file.

Written by the main process only and without WAL (shoots lie on network shares too). A measurement is found by path,
size and modification time, or, when a file moved or was copied, by size and a hash of its first, middle and last
64 KiB. The face part also depends on `face_key`: regions in the metadata, marks by hand, versions of the detector.
Proxies are most of the bytes and only pages show them: they stay in the file until one is asked for (`proxy`).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import msgspec

from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.errors import DiskNeedsAttention
from xmpsync.measurement import VERSION, AsShotPair, FrameMeasurement
from xmpsync.records import Mat3
from xmpsync.store.opening import Opened, delete_set_aside, in_memory, open_file
from xmpsync.xmp.settings import SETTINGS_VERSION

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class FileKey:
    """What tells that a RAW is still the one that was measured. `content` costs three small reads: made when needed."""

    frame_id: str
    size: int
    mtime_ns: int


def _path_key(frame_id: str) -> bytes:
    return frame_id.encode("utf-8", "surrogateescape")


class Store:
    """The open store; a context manager. `path=None` keeps everything in memory (`--no-store`).

    `remark` tells that a file in doubt was set aside (`opening`), None otherwise. `keeps_proxies`: what is put is in a
    file afterwards, so that nobody has to hold the proxies. Threads may share a read-only store, one at a time.
    """

    def __init__(self, path: Path | None, *, read_only: bool = False) -> None:
        self.path, self._read_only = path, read_only
        with self._explained():
            opened = Opened(in_memory()) if path is None else open_file(path, read_only=read_only)
        self._db, self.remark = opened.database, opened.remark
        self._profiles: dict[CameraProfile, CameraProfile] = {}
        self.keeps_proxies = path is not None and not read_only

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OSError, OverflowError, UnicodeDecodeError) as error:
            raise DiskNeedsAttention(
                f"The measurement store {self.path} cannot be used: {error}.",
                next_step="Rename it (measuring then starts anew), keep state elsewhere with --state DIR, "
                "or work without it with --no-store.",
            ) from error

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the connection; everything that was put is in the file already."""
        self._db.close()

    def get(self, key: FileKey, face_key: str, content: str | None = None) -> FrameMeasurement | None:
        """The stored measurement of this very file, or None. Give `content` to find a moved or copied file too.

        It comes without its proxy, which `proxy` reads.
        """
        columns = "SELECT record, typeof(proxy), embedded FROM measurement "
        columns += "WHERE face_key = ? AND version = ? AND size = ? AND "
        with self._explained():
            if content is None:
                row = self._db.execute(
                    columns + "path = ? AND mtime_ns = ?",
                    (face_key, VERSION, key.size, _path_key(key.frame_id), key.mtime_ns),
                ).fetchone()
            else:
                row = self._db.execute(columns + "content = ?", (face_key, VERSION, key.size, content)).fetchone()
        if row is None:
            return None
        record, proxy, embedded = row
        try:
            if not (isinstance(record, bytes) and proxy == "blob" and isinstance(embedded, bytes | None)):
                return None
            measurement = msgspec.json.decode(record, type=FrameMeasurement)
        except (msgspec.DecodeError, TypeError, UnicodeDecodeError, RecursionError):
            return None  # made by other code or damaged: measure again
        if not sound(measurement, record):
            return None
        profile = self._profiles.setdefault(measurement.profile, measurement.profile)  # one for all frames of a body
        return replace(measurement, profile=profile, proxy=b"", embedded_xmp=embedded)

    def proxy(self, frame_id: str) -> bytes | None:
        """The proxy of a measured frame; None where the store holds none."""
        with self._explained():
            row = self._db.execute("SELECT proxy FROM measurement WHERE path = ?", (_path_key(frame_id),)).fetchone()
        return row[0] if row is not None and isinstance(row[0], bytes) and row[0] else None

    def embedded(self, key: FileKey, content: str | None = None) -> bytes | None:
        """The packet inside this RAW as it was when measured; None without one, or where it was not measured."""
        where = "path = ? AND mtime_ns = ?" if content is None else "content = ?"
        values = (_path_key(key.frame_id), key.mtime_ns) if content is None else (content,)
        with self._explained():
            row = self._db.execute(
                f"SELECT embedded FROM measurement WHERE size = ? AND {where}", (key.size, *values)
            ).fetchone()
        return row[0] if row is not None and isinstance(row[0], bytes) else None

    def holds_size(self, size: int) -> bool:
        """Whether some measured file had this size: only then is a content hash worth its reads."""
        with self._explained():
            return self._db.execute("SELECT 1 FROM measurement WHERE size = ?", (size,)).fetchone() is not None

    def put(self, key: FileKey, face_key: str, content: str, measurement: FrameMeasurement) -> None:
        """Keep one measurement; committed at once, so that an interrupted run loses nothing."""
        self.put_all([(key, face_key, content, measurement)])

    def put_all(self, rows: Iterable[tuple[FileKey, str, str, FrameMeasurement]]) -> None:
        """Keep measurements that are at hand together, all or none.

        One without a proxy, as `get` gives it, keeps the proxy that is stored for the same content. A read-only store
        takes none.
        """
        if self._read_only:
            return
        with self._explained():
            self._db.executemany(
                _PUT,
                (
                    (
                        _path_key(key.frame_id), key.size, key.mtime_ns, content, face_key, VERSION,
                        msgspec.json.encode(replace(measurement, proxy=b"", embedded_xmp=None)),
                        measurement.proxy, measurement.embedded_xmp,
                    )
                    for key, face_key, content, measurement in rows
                ),
            )  # fmt: skip
            self._db.commit()

    def rekey(self, key: FileKey, content: str, embedded_xmp: bytes | None) -> None:
        """A run of ours changed only the packet inside this RAW: its measurement stays good."""
        with self._explained():
            self._db.execute(
                "UPDATE measurement SET size = ?, mtime_ns = ?, content = ?, embedded = ? WHERE path = ?",
                (key.size, key.mtime_ns, content, embedded_xmp, _path_key(key.frame_id)),
            )
            self._db.commit()

    def pairs(self) -> tuple[AsShotPair, ...]:
        """As-shot pairs seen so far (kept here because our own writing replaces them in the sidecar)."""
        return tuple(sorted(self._records("pair", AsShotPair), key=lambda p: p.frame_id))

    def add_pairs(self, pairs: Iterable[AsShotPair]) -> None:
        """Keep pairs, one per frame; a newer one replaces an older one."""
        self._insert("pair", "OR REPLACE", ((p.frame_id, p) for p in pairs))

    def sidecars(self) -> dict[str, tuple[str, bytes]]:
        """What was read in sidecars (`store.sidecars`): by frame, the hash of the bytes and the record."""
        with self._explained():
            if not self._db.execute("SELECT 1 FROM sqlite_master WHERE name = 'sidecar'").fetchone():
                return {}  # an earlier schema, read only
            rows = self._db.execute(
                "SELECT path, sha256, record FROM sidecar WHERE version = ?", (SETTINGS_VERSION,)
            ).fetchall()
        return {
            path.decode("utf-8", "surrogateescape"): (digest, record)
            for path, digest, record in rows
            if isinstance(path, bytes) and isinstance(digest, str) and isinstance(record, bytes)
        }

    def put_sidecars(self, rows: Iterable[tuple[str, str, bytes]]) -> None:
        """Keep what was read in sidecars: frame, hash of the bytes, record; one for each frame."""
        if self._read_only:
            return
        with self._explained():
            self._db.executemany(
                "INSERT OR REPLACE INTO sidecar VALUES (?,?,?,?)",
                ((_path_key(frame_id), digest, SETTINGS_VERSION, record) for frame_id, digest, record in rows),
            )
            self._db.commit()

    def forget_identities(self) -> int:
        """Delete the identity vectors of all faces; returns how many measurements held some."""
        changed = 0
        with self._explained():
            for path, record in self._db.execute("SELECT path, record FROM measurement").fetchall():
                try:
                    raw = msgspec.json.decode(record)
                    held = [face for face in raw["faces"] if face.get("identity") is not None]
                except (msgspec.DecodeError, ValueError, TypeError, LookupError, AttributeError, RecursionError):
                    self._db.execute("DELETE FROM measurement WHERE path IS ?", (path,))  # nobody can say what it holds
                    continue
                if held:
                    for face in held:
                        face["identity"] = face["identity_sd"] = None
                    self._db.execute(
                        "UPDATE measurement SET record = ? WHERE path = ?", (msgspec.json.encode(raw), path)
                    )
                    changed += 1
            self._db.commit()
            self._db.execute("VACUUM")
        return changed

    def delete_set_aside(self) -> tuple[str, ...]:
        """Delete the files that were set aside from this store, face data in them too; their names."""
        with self._explained():
            return () if self.path is None else delete_set_aside(self.path)

    def _insert(self, table: str, conflict: str, rows: Iterable[tuple[str, object]]) -> None:
        values = [(_path_key(frame_id), msgspec.json.encode(_portable(record))) for frame_id, record in rows]
        with self._explained():
            self._db.executemany(f"INSERT {conflict} INTO {table} VALUES (?, ?)", values)
            self._db.commit()

    def _records(self, table: str, kind: type[T]) -> list[T]:
        with self._explained():
            rows = self._db.execute(f"SELECT path, record FROM {table}").fetchall()
        found = []
        for path, record in rows:
            try:
                fields = msgspec.json.decode(record)
                fields["frame_id"] = path.decode("utf-8", "surrogateescape")
                found.append(msgspec.convert(fields, type=kind))
            except (msgspec.DecodeError, TypeError, AttributeError, UnicodeDecodeError, RecursionError):
                continue  # made by other code or damaged
        return found


_PUT = """
INSERT OR REPLACE INTO measurement VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, CASE WHEN length(?8) > 0 THEN ?8 ELSE coalesce(
    (SELECT proxy FROM measurement WHERE size = ?2 AND content = ?4 AND version = ?6 ORDER BY path = ?1 DESC LIMIT 1),
    ?8) END, ?9)
"""
_AS_ZEROS = bytes.maketrans(b"123456789E[:-", b"000000000e,,,")
_MARKS_OF_LARGE = (b"e0", b"," + b"0" * 12)
"""In JSON, with every digit a zero, `+` and white space gone and what may stand before a number a comma: an exponent
that is not negative, or twelve digits before a point. Without either no number reaches 1e12."""


def _perhaps_large(record: bytes) -> bool:
    """Whether some number of a JSON list or object may reach 1e12; texts may look like one."""
    plain = record.translate(_AS_ZEROS, b"+ \t\r\n")
    return any(mark in plain for mark in _MARKS_OF_LARGE)


def sound(measurement: FrameMeasurement, record: bytes) -> bool:
    """Whether a stored measurement (and the JSON it came from) is a possible one: finite, matrices regular, no face
    named by hand: that is never stored, and would be taken as certain."""
    if any(face.named_by_hand for face in measurement.faces):
        return False
    matrices = [calibration.camera_from_xyz for calibration in measurement.profile.calibrations]
    # JSON has no infinite numbers; looking through a record number by number would be most of the cost of reading it
    finite = not _perhaps_large(record) or _finite(msgspec.to_builtins(measurement))
    return finite and all(abs(_determinant(m)) > 1e-9 for m in matrices)


def _finite(value: object) -> bool:
    if isinstance(value, dict):
        return all(map(_finite, value.values()))
    if isinstance(value, list | tuple):
        return all(map(_finite, value))
    return not isinstance(value, int | float) or abs(value) < 1e12


def _determinant(m: Mat3) -> float:
    (a, b, c), (d, e, f), (g, h, i) = m
    return a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g)


def _portable(record: object) -> dict[str, object]:
    """As a JSON object without the path, which has its own column (it may not be valid UTF-8)."""
    fields: dict[str, object] = msgspec.to_builtins(record)
    fields["frame_id"] = ""
    return fields
