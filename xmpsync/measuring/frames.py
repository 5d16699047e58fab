"""Measure the frames of a shoot: from the store where it holds them, in worker processes otherwise."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from xmpsync.errors import SidecarMalformed, Trouble
from xmpsync.events import Listener
from xmpsync.faces.version import FACES_VERSION
from xmpsync.measurement import FrameMeasurement, MarkedPlace
from xmpsync.measuring.cluster import run_on_cluster
from xmpsync.measuring.machine import Machine
from xmpsync.measuring.pool import Idle, Lost, run_jobs
from xmpsync.measuring.source import SourceFrame
from xmpsync.measuring.worker import MeasureJob, measure_frame
from xmpsync.read.ahead import ReadAhead
from xmpsync.read.fingerprint import fingerprint
from xmpsync.read.limits import prepare_worker
from xmpsync.skin.settings import SKIN_VERSION
from xmpsync.store.database import FileKey, Store
from xmpsync.store.opening import require_place
from xmpsync.xmp.embedded import embedded_packet
from xmpsync.xmp.regions import Regions, read_regions

STORE_NAME = "measurements.sqlite"


@dataclass(frozen=True, slots=True)
class Measured:
    """Measurements by frame, the frames that have none, and how many came from the store."""

    frames: Mapping[str, FrameMeasurement]
    troubles: tuple[Trouble, ...]
    n_from_store: int


def open_store(state: Path, machine: Machine, listener: Listener) -> Store:
    """The shoot's store; in memory with a note where the folder cannot be written."""
    if not machine.use_store:
        return Store(None)
    path = state / STORE_NAME
    try:
        require_place(state)
    except OSError as error:
        listener.note(f"{state} cannot be written ({error.strerror}): measurements are not stored this time.")
        return _said(Store(path, read_only=True), listener)
    return _said(Store(path), listener)


def _said(store: Store, listener: Listener) -> Store:
    if store.remark is not None:
        listener.note(store.remark)
    return store


def measure(
    frames: Sequence[SourceFrame],
    marks: tuple[MarkedPlace, ...],
    machine: Machine,
    store: Store,
    listener: Listener,
    idle: Idle[MeasureJob] | None = None,
) -> Measured:
    """Measure these frames with the marks on them. Each result is stored at once: stopping early loses nothing.

    `idle`: a worker that waits for what is measured one by one.
    """
    found: dict[str, FrameMeasurement] = {}
    troubles: list[Trouble] = []
    to_do: dict[str, tuple[MeasureJob, FileKey, SourceFrame]] = {}
    for source in frames:
        job = _job(source, marks, machine)
        try:
            stat = source.files.raw.stat()
        except OSError as error:
            troubles.append(Trouble(source.frame_id, f"{source.frame_id} cannot be read: {error.strerror}."))
            continue
        key = FileKey(source.frame_id, stat.st_size, stat.st_mtime_ns)
        stored = None if machine.remeasure else _from_store(store, key, source, job.marks, told_apart=machine.people)
        if stored is not None:
            found[source.frame_id] = stored
        else:
            to_do[source.frame_id] = job, key, source
    n_from_store = len(found)
    if to_do:
        if machine.n_workers_remark is not None and machine.cluster is None and len(to_do) > machine.n_workers:
            listener.note(machine.n_workers_remark)
        listener.start("Measuring", len(to_do))
        # largest first, so that no worker is left with the longest frame at the end
        jobs = [job for job, _, _ in sorted(to_do.values(), key=lambda entry: -entry[1].size)]
        sizes = {frame_id: key.size for frame_id, (_, key, _) in to_do.items()}
        try:
            for job, outcome in _outcomes(jobs, sizes, machine, idle):
                if isinstance(outcome, FrameMeasurement):
                    _, key, source = to_do[job.frame_id]
                    regions = regions_of(source, outcome.embedded_xmp)
                    faces = face_key(regions, job.marks, told_apart=machine.people)
                    store.put(key, faces, fingerprint(Path(job.raw)), outcome)
                    # a page reads proxies from the store; without a file they exist here only
                    found[job.frame_id] = replace(outcome, proxy=b"") if store.keeps_proxies else outcome
                else:
                    troubles.append(_lost(job, outcome) if isinstance(outcome, Lost) else outcome)
                listener.step()
        finally:
            listener.done()
    ordered = {s.frame_id: found[s.frame_id] for s in frames if s.frame_id in found}
    return Measured(ordered, tuple(sorted(troubles, key=lambda t: t.frame_id)), n_from_store)


def _outcomes(
    jobs: list[MeasureJob], sizes: Mapping[str, int], machine: Machine, idle: Idle[MeasureJob] | None
) -> Iterator[tuple[MeasureJob, FrameMeasurement | Trouble | Lost]]:
    """The outcome of each job as it gets ready: from local workers, or from a cluster's."""
    if machine.cluster is not None:
        yield from run_on_cluster(jobs, sizes, machine.cluster, timeout_s=machine.timeout_s)
        return
    ahead = ReadAhead()
    try:
        yield from run_jobs(
            measure_frame, jobs, n_workers=machine.n_workers, timeout_s=machine.timeout_s, prepare=prepare_worker,
            announce=lambda job: ahead.want(Path(job.raw)), idle=idle,
        )  # fmt: skip
    finally:
        ahead.close()


def _from_store(
    store: Store, key: FileKey, source: SourceFrame, marks: tuple[MarkedPlace, ...], *, told_apart: bool
) -> FrameMeasurement | None:
    """The stored measurement of this RAW with these regions; found by content where the file moved or was copied."""
    for content in (None, fingerprint):
        if content is not None and not store.holds_size(key.size):
            return None
        digest = content(source.files.raw) if content is not None else None
        embedded = store.embedded(key, digest) if source.sidecar is None else None
        faces = face_key(regions_of(source, embedded), marks, told_apart=told_apart)
        stored = store.get(key, faces, digest)
        if stored is not None:
            if digest is not None:
                store.put(key, faces, digest, stored)
            return stored
    return None


def _lost(job: MeasureJob, outcome: Lost) -> Trouble:
    return Trouble(
        job.frame_id,
        f"{job.frame_id}: {outcome.reason} while measuring it.",
        "The file may be damaged: try to open it elsewhere, or exclude it with --leave-out.",
    )


def _job(source: SourceFrame, marks: tuple[MarkedPlace, ...], machine: Machine) -> MeasureJob:
    own = tuple(m for m in marks if m.frame_id == source.frame_id)
    return MeasureJob(source.frame_id, str(source.files.raw), source.sidecar, own, machine.people)


def regions_of(source: SourceFrame, embedded_xmp: bytes | None) -> Regions | None:
    """The regions that count for a frame: its sidecar's, without one those of the packet in the RAW; None without any.

    A packet without regions is the same as none, so that a sidecar which appears beside a measured RAW, ours or an
    editor's, measures nothing again.
    """
    regions = source.regions
    if source.sidecar is None and embedded_xmp is not None:
        try:
            regions = read_regions(embedded_packet(embedded_xmp))
        except SidecarMalformed:
            return None
    return regions if regions is not None and regions.faces else None


def face_key(regions: Regions | None, marks: tuple[MarkedPlace, ...], *, told_apart: bool) -> str:
    """What the faces of a frame depend on beside the RAW: regions, marks, the versions of finder and skin."""
    shown = None if regions is None else (regions.applied_to, regions.faces)
    parts = (FACES_VERSION, SKIN_VERSION, told_apart, shown, sorted((m.kind, m.x, m.y, m.name or "") for m in marks))
    return hashlib.sha256(repr(parts).encode("utf-8", "surrogateescape")).hexdigest()[:32]
