"""Which frame, person and place a text on the command line means (a literal file name wins over `=` and `@`)."""

from __future__ import annotations

import difflib
import fnmatch
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from xmpsync.errors import WrongUsage
from xmpsync.records import Vec2, Vec3

_PLACE = re.compile(r"^(?P<rest>.+)@(?P<x>\d*\.?\d+),(?P<y>\d*\.?\d+)$", re.DOTALL)
_LAB = re.compile(r"^lab:(?P<numbers>[^=]+)$")


@dataclass(frozen=True, slots=True)
class Pointer:
    """A frame, perhaps a place in it (fractions of the upright picture), perhaps a person's name; `text` as typed."""

    frame_id: str
    place: Vec2 | None = None
    person: str | None = None
    text: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class LabNumbers:
    """A person's skin given as CIELAB (D50) of the linear rendering."""

    lab: Vec3
    person: str | None = None


def find_frame(text: str, frame_ids: Sequence[str]) -> str | None:
    """The frame that `text` names by path relative to the shoot, by file name or by stem; None if there is none.

    Raises WrongUsage with the candidates where it names several.
    """
    wanted = text.replace("\\", "/") if text not in frame_ids else text
    if wanted in frame_ids:
        return wanted
    for part in ("name", "stem"):
        found = [f for f in frame_ids if getattr(PurePosixPath(f), part) == wanted]
        if not found:
            found = [f for f in frame_ids if getattr(PurePosixPath(f), part).casefold() == wanted.casefold()]
        if not found and part == "stem":
            found = [f for f in frame_ids if str(PurePosixPath(f).with_suffix("")) == wanted]
        if len(found) == 1:
            return found[0]
        if not found and part == "stem" and wanted.casefold().endswith(".xmp"):
            return find_frame(wanted[:-4], frame_ids)
        if found:
            raise WrongUsage(
                f"{text!r} is ambiguous, {len(found)} frames match: {', '.join(found[:8])}.",
                next_step="Give the path relative to the shoot.",
            )
    return None


def frame_named(text: str, frame_ids: Sequence[str], *, option: str) -> str:
    """The frame that `text` names. Raises WrongUsage, with names that are close, where there is none."""
    frame_id = find_frame(text, frame_ids)
    if frame_id is None:
        raise _not_found(text, frame_ids, option)
    return frame_id


def matches(frame_id: str, globs: tuple[str, ...]) -> bool:
    """Whether the path relative to the shoot, or the file name, matches one of the patterns.

    Cases count where the system's file names tell them apart; on Windows they do not, and both slashes are one.
    """
    name = PurePosixPath(frame_id).name
    return any(fnmatch.fnmatch(frame_id, glob) or fnmatch.fnmatch(name, glob) for glob in globs)


def below(root: Path, text: str) -> str:
    """The text with a path to a file of the shoot, as a shell completes it, made relative to the shoot.

    PERSON= before it and @x,y behind it stay. Anything else comes back as it is.
    """
    for person, rest in _splits(text):
        match = _PLACE.match(rest)
        for path, place in ((rest, ""), (match["rest"], rest[len(match["rest"]) :]) if match else (rest, "")):
            if "/" not in path and "\\" not in path:
                continue
            try:
                inside = Path(path).absolute().relative_to(root.absolute()).as_posix()
            except ValueError:
                continue
            if Path(path).is_file():
                return (f"{person}=" if person is not None else "") + inside + place
    return text


def parse_pointer(text: str, frame_ids: Sequence[str], *, option: str) -> Pointer:
    """Read `[PERSON=]FRAME[@x,y]`.

    Raises WrongUsage where no frame is meant, with names that are close.
    """
    for person, rest in _splits(text):
        frame = find_frame(rest, frame_ids)
        if frame is not None:
            return Pointer(frame, None, person, text)
        match = _PLACE.match(rest)
        if match and (frame := find_frame(match["rest"], frame_ids)) is not None:
            return Pointer(frame, _place(match["x"], match["y"], text, option), person, text)
    raise _not_found(text, frame_ids, option)


def parse_reference(text: str, frame_ids: Sequence[str]) -> Pointer | LabNumbers:
    """Read `[PERSON=]FRAME[@x,y]` or `[PERSON=]lab:L,a,b`; a frame of that very name wins."""
    try:
        return parse_pointer(text, frame_ids, option="--reference")
    except WrongUsage:
        for person, rest in _splits(text):
            match = _LAB.match(rest)
            if match:
                return LabNumbers(_lab(match["numbers"], text), person)
        raise


def _splits(text: str) -> list[tuple[str | None, str]]:
    """The text as it is, then every way to split it into PERSON=REST."""
    cuts = [i for i, letter in enumerate(text) if letter == "=" and i > 0]
    return [(None, text)] + [(text[:i].strip(), text[i + 1 :]) for i in cuts]


def _place(x: str, y: str, text: str, option: str) -> Vec2:
    place = float(x), float(y)
    if not all(0.0 <= value <= 1.0 for value in place):
        raise WrongUsage(
            f"{option} {text!r}: the place {x},{y} is outside the picture.",
            next_step="Give fractions from 0 to 1 of the upright picture, from its top left corner.",
        )
    return place


def _lab(numbers: str, text: str) -> Vec3:
    try:
        lightness, a, b = (float(part) for part in numbers.split(","))
    except ValueError:
        lightness = a = b = float("nan")
    if not (0.0 < lightness <= 100.0 and abs(a) <= 128.0 and abs(b) <= 128.0):
        raise WrongUsage(
            f"--reference {text!r} does not hold three CIELAB numbers.",
            next_step="Write lab:L,a,b (D50, of the linear rendering), for example lab:62,14,18.",
        )
    return lightness, a, b


def _not_found(text: str, frame_ids: Sequence[str], option: str) -> WrongUsage:
    names = {PurePosixPath(f).name: f for f in frame_ids} | {PurePosixPath(f).stem: f for f in frame_ids}
    wanted = text.split("=")[-1].split("@")[0]
    close = sorted({f for n, f in names.items() if _plain(n) == _plain(wanted)})
    close = close or sorted({names[n] for n in difflib.get_close_matches(wanted, list(names), n=3, cutoff=0.5)})
    hint = f"Did you mean {', '.join(close)}?" if close else "Give a path relative to the shoot, a file name or a stem."
    return WrongUsage(f"{option} {text!r}: no such frame in this shoot.", next_step=hint)


def _plain(name: str) -> str:
    """The name with its numbers free of leading zeros, for suggestions: `jubilee_002` is close to `jubilee_0002`."""
    return re.sub(r"\d+", lambda digits: str(int(digits[0])), PurePosixPath(name).stem.casefold())
