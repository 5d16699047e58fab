"""The frames of a shoot with their sidecars read: what is asked for, what is left out and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from xmpsync.disk.fence import Fenced
from xmpsync.disk.plain import read_named
from xmpsync.errors import LeftAlone, SidecarMalformed, Trouble, WrongUsage
from xmpsync.measuring.source import SourceFrame
from xmpsync.plan.edits import parsed
from xmpsync.plan.options import Options
from xmpsync.read.discover import FrameFiles, discover
from xmpsync.shoot.phrases import counted
from xmpsync.shoot.pointers import matches
from xmpsync.shoot.wishes import Wishes, read_wishes
from xmpsync.store.database import Store
from xmpsync.store.sidecars import Reading, from_record, to_record
from xmpsync.write.plan import sha256
from xmpsync.xmp.scan import LIMITS
from xmpsync.xmp.settings import DevelopSettings


@dataclass(frozen=True, slots=True)
class Loaded:
    """All frames that can go on, what happened to the others, and what the options mean among them.

    `all_ids` names every frame of the shoot.
    """

    root: Path
    frames: tuple[SourceFrame, ...]
    troubles: tuple[Trouble, ...]
    left_out: tuple[LeftAlone, ...]
    all_ids: tuple[str, ...]
    wishes: Wishes = field(default_factory=Wishes)


@dataclass(frozen=True, slots=True)
class Found:
    """The frames of a folder and what the options mean among them; no sidecar is read yet."""

    root: Path
    files: tuple[FrameFiles, ...]
    troubles: tuple[Trouble, ...]
    wishes: Wishes


def load(root: Path, options: Options, own_state: Path | None = None) -> Loaded:
    """Find the frames, read the options among them, read the sidecars, keep the wanted frames.

    Raises WrongUsage when the folder is missing or holds no frame at all, WrongOptions for invalid options.
    """
    return read_sidecars(find(root, options, own_state), options)


def find(root: Path, options: Options, own_state: Path | None = None) -> Found:
    """The first half of `load`, which raises what it raises."""
    found = discover(root, own_state=own_state)
    if not found.frames and not found.troubles:
        jpegs = sum(1 for path in root.rglob("*") if path.suffix.casefold() in (".jpg", ".jpeg", ".heic"))
        only = f" It holds {counted(jpegs, 'finished picture')} (JPEG), which cannot be measured." if jpegs else ""
        raise WrongUsage(f"No RAW frames in {root}.{only}", next_step="Point at the folder that holds the RAW files.")
    wishes = read_wishes(options, tuple(f.frame_id for f in found.frames))
    return Found(root, found.frames, found.troubles, wishes)


def read_sidecars(
    found: Found, options: Options, store: Store | None = None, n_workers: int = 1, *, anew: bool = False
) -> Loaded:
    """The second half: every sidecar's bytes are read; only those that the store does not remember are parsed.

    `anew`: all are parsed.
    """
    asked_for = found.wishes.asked_for
    wanted = [
        files
        for files in found.files
        if not options.frames or files.frame_id in asked_for or matches(files.frame_id, options.frames)
    ]
    troubles = list(found.troubles)
    remembered = {} if store is None or anew else store.sidecars()
    sources = _read(wanted, troubles, remembered, store, n_workers)
    frames: list[SourceFrame] = []
    left_out: list[LeftAlone] = []
    for source in sources:
        reason = None if source.frame_id in asked_for else why_left_out(source.settings, options)
        if reason:
            left_out.append(LeftAlone(source.frame_id, reason))
        else:
            frames.append(source)
    ids = tuple(f.frame_id for f in found.files)
    return Loaded(found.root, tuple(frames), tuple(troubles), tuple(left_out), ids, found.wishes)


def why_left_out(settings: DevelopSettings | None, options: Options) -> str | None:
    """The reason to leave a frame alone by its metadata; None to go on."""
    rating = settings.rating if settings else None
    if rating == -1 and not options.include_rejected:
        return "rejected (rating -1)"
    if options.min_rating is not None and (rating or 0) < options.min_rating:
        return f"rating below {options.min_rating}"
    for alteration in settings.alters_meaning if settings else ():
        if alteration.skip:
            return alteration.sentence
    return None


def _read(
    wanted: Sequence[FrameFiles],
    troubles: list[Trouble],
    remembered: Mapping[str, tuple[str, bytes]],
    store: Store | None,
    n_workers: int,
) -> list[SourceFrame]:
    """The frames with their sidecars' bytes and what these say; those that cannot be read become troubles."""
    data: dict[str, bytes] = {}
    readings: dict[str, Reading | SidecarMalformed] = {}
    for files in wanted:
        if files.sidecar is None:
            continue
        try:
            data[files.frame_id] = found = read_named(files.sidecar, LIMITS.max_bytes)
        except OSError as error:
            advice = "Check what this file is and move it away." if isinstance(error, Fenced) else ""
            what = f"The sidecar {files.sidecar.name} cannot be read: {error.strerror}."
            troubles.append(Trouble(files.frame_id, what, advice))
            continue
        digest, record = remembered.get(files.frame_id, ("", b""))
        known = from_record(record) if digest == sha256(found) else None
        if known is not None:
            readings[files.frame_id] = known
    new = [frame_id for frame_id in data if frame_id not in readings]
    readings |= zip(new, parsed([data[frame_id] for frame_id in new], n_workers), strict=True)
    if store is not None:
        fresh = [(frame_id, readings[frame_id]) for frame_id in new]
        store.put_sidecars((i, sha256(data[i]), to_record(r)) for i, r in fresh if isinstance(r, Reading))
    frames = []
    for files in wanted:
        if files.sidecar is None:
            frames.append(SourceFrame(files, None, None))
            continue
        reading = readings.get(files.frame_id)
        if isinstance(reading, Reading):
            frames.append(SourceFrame(files, data[files.frame_id], reading.settings, reading.regions))
        elif reading is not None:
            advice = reading.next_step or "Have your editor write it again, or move the file."
            what = f"The sidecar {files.sidecar.name} cannot be used: {reading.what}."
            troubles.append(Trouble(files.frame_id, what, advice))
    return frames
