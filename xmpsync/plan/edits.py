"""Parse and edit the packets of a shoot: in worker processes where they are many."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from xmpsync.errors import FrameError, SidecarMalformed, XmpsyncError
from xmpsync.measuring.memory import seldom_collected
from xmpsync.measuring.pool import Idle, Lost, WorkersMissing, run_jobs
from xmpsync.store import sidecars
from xmpsync.store.sidecars import Reading
from xmpsync.xmp.edit import Change, edited, from_embedded, new_sidecar
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.settings import DevelopSettings, read_settings

MANY = 500
"""Packets from which workers pay: one starts in a third of a second and edits some 500 packets in a second."""
CHUNK = 50
"""Packets that a worker is given at once."""
TIMEOUT_S = 120.0
"""Seconds for a chunk; one takes a tenth of a second, and 50 packets of the largest size 50."""

T = TypeVar("T")
R = TypeVar("R")


@dataclass(frozen=True, slots=True)
class SidecarEdit:
    """One edit: of the sidecar's bytes, or, where there is none, of a copy of the packet in the RAW, if it has one.

    `settings`: what the sidecar was taken to say when the change was worked out; None where nothing is to be compared.
    """

    sidecar: bytes | None
    embedded: bytes | None
    change: Change
    settings: DevelopSettings | None = None


def start_early(n_packets: int, n_workers: int, idle: Idle[Any]) -> None:
    """Start the workers of a later `edit_all` where it will have some, while this process works on something else."""
    if n_packets >= MANY and n_workers > 1:
        idle.start(_n_started(n_packets, n_workers), _ready)


def edit_all(edits: Sequence[SidecarEdit], n_workers: int, idle: Idle[Any] | None = None) -> list[bytes | FrameError]:
    """The bytes after each edit, checked, in order; a packet that cannot be edited gives its error.

    Raises OwnCheckFailed. A worker that dies costs time only: its edits are made here. `idle`: of `start_early`.
    """
    return _in_chunks(_edited, edits, n_workers, idle)


def parsed(packets: Sequence[bytes], n_workers: int) -> list[Reading | SidecarMalformed]:
    """What each sidecar says, in order; a malformed one gives its error."""
    return _in_chunks(_parsed, packets, n_workers)


def _ready() -> None:
    """Called in a worker to have this module imported there."""


def _n_started(n_packets: int, n_workers: int) -> int:
    return min(n_workers, -(-n_packets // CHUNK))


def _in_chunks(
    work: Callable[[tuple[T, ...]], list[R]], items: Sequence[T], n_workers: int, idle: Idle[Any] | None = None
) -> list[R]:
    if len(items) < MANY or n_workers < 2:
        return work(tuple(items))
    chunks = [tuple(items[start : start + CHUNK]) for start in range(0, len(items), CHUNK)]
    found: dict[int, list[R]] = {}
    jobs = [(number, work, chunk) for number, chunk in enumerate(chunks)]
    try:
        for (number, _, _), outcome in run_jobs(_chunk, jobs, n_workers=n_workers, timeout_s=TIMEOUT_S, idle=idle):
            if isinstance(outcome, XmpsyncError):
                raise outcome
            if not isinstance(outcome, Lost):
                found[number] = outcome
    except WorkersMissing:
        pass
    return [one for number, chunk in enumerate(chunks) for one in (found.get(number) or work(chunk))]


def _chunk(job: tuple[int, Callable[[tuple[T, ...]], list[R]], tuple[T, ...]]) -> list[R] | XmpsyncError:
    _, work, items = job
    try:
        return work(items)
    except XmpsyncError as error:  # our own check failed: told by the process that prints
        return error


@seldom_collected()
def _edited(edits: tuple[SidecarEdit, ...]) -> list[bytes | FrameError]:
    found: list[bytes | FrameError] = []
    for edit in edits:
        try:
            found.append(_one(edit))
        except FrameError as error:
            found.append(error)
    return found


@seldom_collected()
def _parsed(packets: tuple[bytes, ...]) -> list[Reading | SidecarMalformed]:
    found: list[Reading | SidecarMalformed] = []
    for data in packets:
        try:
            found.append(sidecars.read(data))
        except SidecarMalformed as error:
            found.append(error)
    return found


def _one(edit: SidecarEdit) -> bytes:
    if edit.sidecar is not None:
        packet = Packet.parse(edit.sidecar)
        if edit.settings is not None and read_settings(packet) != edit.settings:
            raise FrameError(
                "what is remembered of its settings is not what it holds",
                next_step="Run the same command again with --remeasure, which reads every sidecar anew.",
            )
        return edited(packet, edit.change)
    if edit.embedded is not None:
        return from_embedded(edit.embedded, edit.change)
    return new_sidecar(edit.change)
