"""Edit the packets of a plan: in worker processes where they are many."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from xmpsync.errors import FrameError, XmpsyncError
from xmpsync.measuring.memory import seldom_collected
from xmpsync.measuring.pool import Lost, WorkersMissing, run_jobs
from xmpsync.xmp.edit import Change, apply_change, from_embedded, new_sidecar

MANY = 500
"""Edits from which workers pay: one starts in a third of a second and edits some 500 packets in a second."""
CHUNK = 50
"""Edits that a worker is given at once."""
TIMEOUT_S = 120.0
"""Seconds for a chunk; one takes a tenth of a second, and 50 packets of the largest size 50."""


@dataclass(frozen=True, slots=True)
class SidecarEdit:
    """One edit: of the sidecar's bytes, or, where there is none, of a copy of the packet in the RAW, if it has one."""

    sidecar: bytes | None
    embedded: bytes | None
    change: Change


def edit_all(edits: Sequence[SidecarEdit], n_workers: int) -> list[bytes | FrameError]:
    """The bytes after each edit, checked, in order; a packet that cannot be edited gives its error.

    Raises OwnCheckFailed. A worker that dies costs time only: its edits are made here.
    """
    if len(edits) < MANY or n_workers < 2:
        return _edited(tuple(edits))
    chunks = [tuple(edits[start : start + CHUNK]) for start in range(0, len(edits), CHUNK)]
    numbered = list(enumerate(chunks))
    found: dict[int, list[bytes | FrameError]] = {}
    try:
        for (number, _), outcome in run_jobs(_chunk, numbered, n_workers=n_workers, timeout_s=TIMEOUT_S):
            if isinstance(outcome, XmpsyncError):
                raise outcome
            if not isinstance(outcome, Lost):
                found[number] = outcome
    except WorkersMissing:
        pass
    return [after for number, chunk in numbered for after in (found.get(number) or _edited(chunk))]


def _chunk(job: tuple[int, tuple[SidecarEdit, ...]]) -> list[bytes | FrameError] | XmpsyncError:
    try:
        return _edited(job[1])
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


def _one(edit: SidecarEdit) -> bytes:
    if edit.sidecar is not None:
        return apply_change(edit.sidecar, edit.change)
    if edit.embedded is not None:
        return from_embedded(edit.embedded, edit.change)
    return new_sidecar(edit.change)
