"""Options that would do nothing are errors, all shown at once; and command lines to copy, quoted for a shell."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

import numpy as np

from xmpsync.colour.camera import render
from xmpsync.colour.difference import lab_from_xyz_d50
from xmpsync.errors import WrongUsage
from xmpsync.shoot.load import Loaded, matches
from xmpsync.shoot.names import Pointer, find_frame, parse_pointer
from xmpsync.shoot.options import Options
from xmpsync.shoot.request import Stand, Standing, left_out_by_name
from xmpsync.skin.records import FaceSkin
from xmpsync.store.measurement import MeasuredFace

SKIN_HUE_DEG = (15.0, 100.0)
SKIN_MIN_CHROMA = 5.0
"""CIELAB hue and least chroma of skin at the frame's as-shot white. Published hue angles of skin lie between about 40
and 75 degrees under daylight (from memory); the room on both sides is for an as-shot white some 50 mired off."""


def command(name: str, root: Path, *rest: str) -> str:
    """A command line to copy."""
    return shlex.join(["xmpsync", name, str(root), *rest])


def refuse_ignored(options: Options, loaded: Loaded, stand: Stand, wrong: list[str]) -> None:
    """Raise WrongUsage, with every reason, where an option would have no effect. `wrong`: reasons found before."""
    wrong = [*wrong, *_frames(options, loaded), *_strength(options, loaded, stand), *_moved(options, loaded, stand)]
    wrong += [*_skin(options, loaded, stand), *_neutral(options, loaded, stand)]
    if wrong:
        raise WrongUsage(" ".join(wrong), next_step="Correct these options, or leave them out.")


def _frames(options: Options, loaded: Loaded) -> list[str]:
    return [
        f"--frames {glob!r} matches no frame."
        for glob in options.frames
        if not any(matches(frame_id, (glob,)) for frame_id in loaded.all_ids)
    ]


def clocks_by_body(given: Mapping[str, float], stand: Stand) -> tuple[dict[str, float], list[str]]:
    """Clock corrections by body, from names of a body, a model or a serial number; and what is wrong with the names."""
    captures = {s.measurement.capture.body: s.measurement.capture for s in stand.frames.values()}
    shifts: dict[str, float] = {}
    wrong = []
    for name, seconds in given.items():
        bodies = [body for body, c in captures.items() if name in (body, c.model, c.serial)]
        if len(bodies) == 1:
            shifts[bodies[0]] = seconds
        elif bodies:
            wrong.append(f"--clock {name!r} can mean {len(bodies)} cameras: {', '.join(sorted(bodies))}.")
        else:
            wrong.append(f"--clock {name!r}: no such camera. Cameras here: {', '.join(sorted(captures))}.")
    return shifts, wrong


def _strength(options: Options, loaded: Loaded, stand: Stand) -> list[str]:
    wrong = []
    for text in options.strength_at:
        frame_id = find_frame(text.rpartition("=")[0], loaded.all_ids)
        if frame_id is not None and (frame_id not in stand.frames or frame_id in left_out_by_name(loaded, options)):
            wrong.append(f"--strength-at {text!r}: {frame_id} is left out, or unreadable.")
    return wrong


def _moved(options: Options, loaded: Loaded, stand: Stand) -> list[str]:
    """Nudges of frames that cannot move, and frames that are left out and asked for at once."""
    wrong = []
    references = {p.frame_id for p in _pointers(options.references, loaded)}
    held = {find_frame(text, loaded.all_ids) for text in options.keep}
    out = {find_frame(text, loaded.all_ids): text for text in options.leave_out}
    for option, texts in (("--nudge", options.nudge), ("--nudge-light", options.nudge_light)):
        for text in texts:
            frame_id = find_frame(text.rpartition("=")[0], loaded.all_ids)
            if frame_id is None:
                continue
            if option == "--nudge" and frame_id in references:
                wrong.append(f"{option} {text!r}: {frame_id} is the reference, which is never changed.")
            elif option == "--nudge" and frame_id in held:
                wrong.append(f"{option} {text!r}: {frame_id} is held as it is by --keep.")
            elif frame_id not in stand.frames or frame_id in out:
                wrong.append(f"{option} {text!r}: {frame_id} is left out, or unreadable.")
    marked = {p.frame_id for p in _pointers((*options.skin, *options.neutral), loaded)}
    for frame_id, text in out.items():
        if frame_id in references:
            wrong.append(f"--leave-out {text!r}: {frame_id} is the reference.")
        elif frame_id in held or frame_id in marked:
            wrong.append(f"--leave-out {text!r}: another option holds or marks {frame_id}.")
    return wrong


def _pointers(texts: tuple[str, ...], loaded: Loaded) -> list[Pointer]:
    """The frames and places meant; what means none is refused where it is read."""
    found = []
    for text in texts:
        with suppress(WrongUsage):
            found.append(parse_pointer(text, loaded.all_ids, option=""))
    return found


def _skin(options: Options, loaded: Loaded, stand: Stand) -> list[str]:
    wrong = []
    for text in options.skin:
        pointer = parse_pointer(text, loaded.all_ids, option="--skin")
        standing = stand.frames.get(pointer.frame_id)
        if standing is None or pointer.place is None:
            continue
        x, y = pointer.place
        hit = [face for face in standing.measurement.faces if face.box.contains(x, y)]
        if not any(face.origin != "hand" or _is_skin(face, standing) for face in hit):
            wrong.append(f"--skin {text!r} does not point at skin: its colour there is not that of any skin.")
    return wrong


def _is_skin(face: MeasuredFace, standing: Standing) -> bool:
    """Whether a patch marked by hand has a colour that skin can have at the as-shot white."""
    if not isinstance(face.skin, FaceSkin):
        return False
    white = standing.as_shot
    xyz = render(standing.profile, np.array(face.skin.camera), white.temperature_k, white.tint, 0.0)
    # lightness does not count: a dark patch has the hue of a bright one, but less chroma
    _, a, b = lab_from_xyz_d50(xyz / max(float(xyz[1]), 1e-9) * 0.3)
    hue = float(np.degrees(np.arctan2(b, a)))
    return SKIN_HUE_DEG[0] <= hue <= SKIN_HUE_DEG[1] and float(np.hypot(a, b)) >= SKIN_MIN_CHROMA


def _neutral(options: Options, loaded: Loaded, stand: Stand) -> list[str]:
    wrong = []
    for text in options.neutral:
        pointer = parse_pointer(text, loaded.all_ids, option="--neutral")
        standing = stand.frames.get(pointer.frame_id)
        if standing is not None and pointer.place not in {(n.x, n.y) for n in standing.measurement.neutrals}:
            wrong.append(f"--neutral {text!r}: nothing can be measured there (clipped, too dark, or too few pixels).")
    return wrong
