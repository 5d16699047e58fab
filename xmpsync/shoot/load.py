"""The frames of a shoot with their sidecars read: what is asked for, what is left out and why."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from xmpsync.disk.fence import Fenced
from xmpsync.disk.plain import read_named
from xmpsync.errors import LeftAlone, SidecarMalformed, Trouble, WrongUsage
from xmpsync.measuring.source import SourceFrame
from xmpsync.plan.options import Options
from xmpsync.read.discover import FrameFiles, discover
from xmpsync.shoot.phrases import counted
from xmpsync.shoot.pointers import matches
from xmpsync.shoot.wishes import Wishes, read_wishes
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.regions import read_regions
from xmpsync.xmp.scan import LIMITS
from xmpsync.xmp.settings import DevelopSettings, read_settings


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


def load(root: Path, options: Options, own_state: Path | None = None) -> Loaded:
    """Find the frames, read the options among them, read the sidecars, keep the wanted frames.

    Raises WrongUsage when the folder is missing or holds no frame at all, WrongOptions for invalid options.
    """
    found = discover(root, own_state=own_state)
    troubles = list(found.troubles)
    if not found.frames and not troubles:
        jpegs = sum(1 for path in root.rglob("*") if path.suffix.casefold() in (".jpg", ".jpeg", ".heic"))
        only = f" It holds {counted(jpegs, 'finished picture')} (JPEG), which cannot be measured." if jpegs else ""
        raise WrongUsage(f"No RAW frames in {root}.{only}", next_step="Point at the folder that holds the RAW files.")
    ids = tuple(f.frame_id for f in found.frames)
    wishes = read_wishes(options, ids)
    asked_for = wishes.asked_for
    frames: list[SourceFrame] = []
    left_out: list[LeftAlone] = []
    for files in found.frames:
        asked = files.frame_id in asked_for
        if options.frames and not asked and not matches(files.frame_id, options.frames):
            continue
        source = _read(files, troubles)
        if source is None:
            continue
        reason = None if asked else why_left_out(source.settings, options)
        if reason:
            left_out.append(LeftAlone(files.frame_id, reason))
        else:
            frames.append(source)
    return Loaded(root, tuple(frames), tuple(troubles), tuple(left_out), ids, wishes)


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


def _read(files: FrameFiles, troubles: list[Trouble]) -> SourceFrame | None:
    if files.sidecar is None:
        return SourceFrame(files, None, None)
    name = files.sidecar.name
    try:
        data = read_named(files.sidecar, LIMITS.max_bytes)
        packet = Packet.parse(data)
        return SourceFrame(files, data, read_settings(packet), read_regions(packet))
    except SidecarMalformed as error:
        advice = error.next_step or "Have your editor write it again, or move the file."
        troubles.append(Trouble(files.frame_id, f"The sidecar {name} cannot be used: {error.what}.", advice))
    except OSError as error:
        advice = "Check what this file is and move it away." if isinstance(error, Fenced) else ""
        troubles.append(Trouble(files.frame_id, f"The sidecar {name} cannot be read: {error.strerror}.", advice))
    return None
