"""Plan the exact bytes of a proposal: every packet edited in memory, every edit checked."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from xmpsync import __version__
from xmpsync.disk.files import RealFileSystem
from xmpsync.errors import FrameError, Trouble
from xmpsync.measuring.memory import seldom_collected
from xmpsync.measuring.pool import Idle
from xmpsync.plan.edits import SidecarEdit, edit_all
from xmpsync.plan.propose import Proposal, Wish
from xmpsync.plan.standing import Standing, to_note
from xmpsync.tiff_layout import MAX_LENGTH
from xmpsync.write.dng_structure import EmbedRefused
from xmpsync.write.plan import ChangeKind, FileChange, Plan, sha256
from xmpsync.write.targets import why_unwritable
from xmpsync.xmp.difference import unified_diff
from xmpsync.xmp.edit import Change, from_embedded, new_sidecar, replace_in_place

UNWRITABLE = "To have it written, make it a plain, writable file in a real folder of the shoot."
WriteTarget = tuple[FileChange, bytes | None]


@dataclass(frozen=True, slots=True)
class Planned(Proposal):
    """A proposal with the exact bytes.

    `troubles`: files that cannot be edited or written. A row without any other change changes nothing.
    """

    plan: Plan
    before_bytes: Mapping[str, bytes | None]
    troubles: tuple[Trouble, ...]

    def diffs(self) -> list[str]:
        """A unified diff for each sidecar that would change, in the plan's order."""
        return [
            unified_diff(self.before_bytes[change.path], change.after, change.path)
            for change in self.plan.changes
            if change.after is not None
        ]


@seldom_collected()
def plan_bytes(proposal: Proposal, n_workers: int = 1, idle: Idle[Any] | None = None) -> Planned:
    """The bytes of every file that changes. A file that cannot be edited or written becomes a trouble; others go on.

    Frames behind a folder link are among those: they are read and never written. `n_workers`: processes that edit and
    check where there are many files; `idle`: those that `edits.start_early` started.
    """
    changes: list[FileChange] = []
    before_bytes: dict[str, bytes | None] = {}
    troubles: list[Trouble] = []
    embeds = proposal.options.embed_dng
    asked = [_edit(wish) for wish in proposal.wishes if _into_sidecar(wish, embeds)]
    edited = iter(edit_all(asked, n_workers, idle))
    unchanged: set[str] = set()
    fs = RealFileSystem(proposal.root)
    for wish in proposal.wishes:
        row = wish.row
        try:
            after = next(edited) if _into_sidecar(wish, embeds) else None
            if isinstance(after, FrameError):
                raise after
            targets = _targets(wish, proposal, after)
        except FrameError as error:
            troubles.append(Trouble(row.frame_id, f"{row.sidecar} cannot be edited: {error.what}.", error.next_step))
            unchanged.add(row.frame_id)
            continue
        note = {
            "frame": row.frame_id,
            "baseline": to_note(wish.standing.baseline),
            "after": row.after.as_json() if row.after else None,
        }
        writable = []
        for target, before in targets:
            why = why_unwritable(target.path, target.kind, proposal.root, fs)
            if why is None:
                writable.append((target, before))
            else:
                troubles.append(Trouble(row.frame_id, f"{target.path} cannot be written: {why}.", UNWRITABLE))
        if targets and not writable:
            unchanged.add(row.frame_id)
        for target, before in writable:
            changes.append(replace(target, note=note))
            before_bytes[target.path] = before
    return Planned(
        root=proposal.root,
        options=proposal.options,
        rows=tuple(replace(row, after=None) if row.frame_id in unchanged else row for row in proposal.rows),
        wishes=proposal.wishes,
        solution=proposal.solution,
        request=proposal.request,
        plan=Plan(tuple(changes), proposal.options.to_manifest(), __version__),
        before_bytes=before_bytes,
        troubles=tuple(troubles),
    )


def _into_sidecar(wish: Wish, embeds: bool) -> bool:
    """Whether a sidecar is edited or made; with `--embed-dng` a DNG frame without one gets none."""
    return wish.standing.source.sidecar is not None or not (embeds and is_dng(wish.standing.source.files.raw))


def _edit(wish: Wish) -> SidecarEdit:
    standing = wish.standing
    source = standing.source
    return SidecarEdit(source.sidecar, standing.measurement.embedded_xmp, wish.change, source.settings)


def _targets(wish: Wish, proposal: Proposal, after: bytes | None) -> list[WriteTarget]:
    """The files to change for one frame: its sidecar (its new bytes given), or the packet in the DNG, or both."""
    standing, row = wish.standing, wish.row
    targets: list[WriteTarget] = []
    embedded = embedded_change(standing, wish.change, proposal.root) if proposal.options.embed_dng else None
    if embedded is not None and embedded[0].after != embedded[1]:
        targets.append(embedded)
    before = standing.source.sidecar
    if after is not None and after != before:
        before_sha256 = sha256(before) if before is not None else None
        basis = standing.measurement.embedded_xmp if before is None else None
        targets.append((FileChange(row.sidecar, ChangeKind.SIDECAR, before_sha256, after, basis=basis), before))
    return targets


def is_dng(raw: Path) -> bool:
    """Whether a packet can be written into this RAW, by its name."""
    return raw.suffix.casefold() == ChangeKind.EMBEDDED.suffix


def embedded_change(standing: Standing, change: Change, root: Path) -> tuple[FileChange, bytes] | None:
    """The change of the packet inside a DNG frame with the packet as it is now; None for other formats.

    EmbedRefused for a file larger than classic TIFF allows: it would be read to its end.
    """
    raw = standing.source.files.raw
    if not is_dng(raw):
        return None
    old = standing.measurement.embedded_xmp
    if old is None:
        new = new_sidecar(change)
    else:
        new = replace_in_place(old, change, len(old)) or from_embedded(old, change)
    if raw.stat().st_size > MAX_LENGTH:
        raise EmbedRefused(f"{raw.name} is larger than the 4 GB of a classic TIFF")
    with raw.open("rb") as file:
        before_sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    path = raw.relative_to(root).as_posix()
    return FileChange(path, ChangeKind.EMBEDDED, before_sha256, new), old or b""
