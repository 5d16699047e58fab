"""What the options mean in this shoot: every text read once, right after the frames are known, every error shown.

`Options` holds the texts as typed, since they are remembered, shown and copied. This is the only module that reads
them; whatever comes later works on `Wishes`. What only the measured frames can answer is in `bind.py`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar

from xmpsync.errors import WrongOptions, WrongUsage
from xmpsync.measurement import MarkedPlace
from xmpsync.plan.options import RANGES, Options
from xmpsync.shoot.pointers import LabNumbers, Pointer, frame_named, matches, parse_pointer, parse_reference
from xmpsync.solve.problem import GroupStrength, Nudge, Reference

MAX_NUDGE = (300.0, 150.0, 4.0)
"""Mired, tint and EV of a nudge at most: far more than is useful by eye, and inside the fields' ranges."""

_CLOCK = re.compile(r"^(?P<body>.+)=(?P<sign>[+-])(?P<h>\d{1,3}):(?P<m>[0-5]\d):(?P<s>[0-5]\d(?:\.\d+)?)$")

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class BodyName:
    """A name for the camera body of the frames that a pattern matches; `text` as typed."""

    pattern: str
    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Wishes:
    """The options with frames as frame ids and places as fractions of the upright picture.

    `clocks`: seconds to add, by the camera's name as given (a body, a model or a serial number).
    """

    references: tuple[Pointer | LabNumbers, ...] = ()
    skin: tuple[Pointer, ...] = ()
    neutral: tuple[Pointer, ...] = ()
    keep: frozenset[str] = frozenset()
    leave_out: frozenset[str] = frozenset()
    strengths: tuple[GroupStrength, ...] = ()
    nudges: tuple[Nudge, ...] = ()
    clocks: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    bodies: tuple[BodyName, ...] = ()

    @property
    def asked_for(self) -> frozenset[str]:
        """Frames that a reference, a mark or `--keep` points at: read whatever `--frames` and ratings select."""
        pointers = [p for p in (*self.references, *self.skin, *self.neutral) if isinstance(p, Pointer)]
        return self.keep | {pointer.frame_id for pointer in pointers}

    @property
    def marks(self) -> tuple[MarkedPlace, ...]:
        """The places to measure, in a settled order; there is no other memory of them."""
        references = [p for p in self.references if isinstance(p, Pointer)]
        marks = {
            MarkedPlace(pointer.frame_id, kind, *pointer.place, pointer.person)
            for kind, pointers in (("skin", (*self.skin, *references)), ("neutral", self.neutral))
            for pointer in pointers
            if pointer.place is not None
        }
        return tuple(sorted(marks, key=lambda m: (m.frame_id, m.kind, m.x, m.y, m.name or "")))


@dataclass(frozen=True, slots=True)
class Bound:
    """Wishes that the measured frames can fulfil (`bind.bind`). `clocks`: seconds to add to the times of a body."""

    references: tuple[Reference, ...]
    keep: frozenset[str]
    leave_out: frozenset[str]
    strengths: tuple[GroupStrength, ...]
    nudges: tuple[Nudge, ...]
    clocks: Mapping[str, float]


def read_wishes(options: Options, ids: Sequence[str]) -> Wishes:
    """What the options mean among these frames.

    Raises WrongOptions with every option that is invalid: names that no frame has, numbers out of range, missing files.
    """
    wrong = _out_of_range(options) + _patterns(options, ids) + _missing_files(options)

    def each(texts: Sequence[str], read: Callable[[str], T]) -> tuple[T, ...]:
        found = []
        for text in texts:
            try:
                found.append(read(text))
            except WrongUsage as error:
                wrong.append(error)
        return tuple(found)

    wishes = Wishes(
        references=each(options.references, lambda text: parse_reference(text, ids)),
        skin=each(options.skin, lambda text: _mark(text, ids, "--skin")),
        neutral=each(options.neutral, lambda text: _mark(text, ids, "--neutral")),
        keep=frozenset(each(options.keep, lambda text: frame_named(text, ids, option="--keep"))),
        leave_out=frozenset(each(options.leave_out, lambda text: frame_named(text, ids, option="--leave-out"))),
        nudges=(
            *each(options.nudge, lambda text: _nudge(text, ids, "--nudge")),
            *each(options.nudge_light, lambda text: _nudge(text, ids, "--nudge-light")),
        ),
        strengths=each(options.strength_at, lambda text: _strength_at(text, ids)),
        clocks=MappingProxyType(dict(each(options.clock, clock))),
        bodies=each(options.body, lambda text: _body(text, ids)),
    )
    wrong += _contradictions(wishes)
    if wrong:
        raise WrongOptions(wrong)
    return wishes


def clock(text: str) -> tuple[str, float]:
    """The camera and the seconds in `BODY=+HH:MM:SS`. Raises WrongUsage."""
    match = _CLOCK.match(text)
    if match is None:
        raise WrongUsage(
            f"--clock {text!r} is not BODY=+HH:MM:SS.", next_step="Write it like this: --clock 'B2=-00:01:30'."
        )
    seconds = int(match["h"]) * 3600 + int(match["m"]) * 60 + float(match["s"])
    return match["body"], seconds if match["sign"] == "+" else -seconds


def _body(text: str, ids: Sequence[str]) -> BodyName:
    pattern, _, name = (part.strip() for part in text.rpartition("="))
    if not pattern or not name or not name.isprintable():
        raise WrongUsage(f"--body {text!r} is not PATTERN=NAME.", next_step="For example --body 'card2/*=second'.")
    if not any(matches(frame_id, (pattern,)) for frame_id in ids):
        raise WrongUsage(f"--body {text!r} matches no frame.", next_step="Check the pattern; quote it for the shell.")
    return BodyName(pattern, name, text)


def _out_of_range(options: Options) -> list[WrongUsage]:
    wrong = []
    for option, name, least, most in RANGES:
        value = getattr(options, name)
        if value is not None and not (math.isfinite(value) and least <= value <= most):
            wrong.append(WrongUsage(f"{option} {value:g} is out of range.", next_step=f"Give {least:g} to {most:g}."))
    return wrong


def _patterns(options: Options, ids: Sequence[str]) -> list[WrongUsage]:
    return [
        WrongUsage(f"--frames {glob!r} matches no frame.", next_step="Check the pattern; quote it for the shell.")
        for glob in options.frames
        if not any(matches(frame_id, (glob,)) for frame_id in ids)
    ]


def _missing_files(options: Options) -> list[WrongUsage]:
    named = [("--camera-profile", path) for path in options.camera_profiles]
    named += [("--scale", options.scale)] if options.scale is not None else []
    return [
        WrongUsage(f"{option} {path}: there is no such plain file.", next_step="Check the name.")
        for option, path in named
        if not Path(path).is_file()
    ]


def _mark(text: str, ids: Sequence[str], option: str) -> Pointer:
    pointer = parse_pointer(text, ids, option=option)
    if pointer.place is None:
        raise WrongUsage(f"{option} {text!r} lacks the place.", next_step="Write FRAME@x,y.")
    return pointer


def _strength_at(text: str, ids: Sequence[str]) -> GroupStrength:
    name, _, number = text.rpartition("=")
    try:
        strength = float(number)
    except ValueError:
        strength = math.nan
    if not name or not 0.0 <= strength <= 1.0:
        raise WrongUsage(f"--strength-at {text!r} is not FRAME=0..1.", next_step="For example K1_0412=0.5.")
    return GroupStrength(frame_named(name, ids, option="--strength-at"), strength)


def _nudge(text: str, ids: Sequence[str], option: str) -> Nudge:
    name, _, three = text.rpartition("=")
    try:
        warmer, tint, ev = (float(part) for part in three.split(","))
    except ValueError:
        warmer = tint = ev = math.nan
    if not name or not all(abs(value) <= most for value, most in zip((warmer, tint, ev), MAX_NUDGE, strict=True)):
        raise WrongUsage(
            f"{option} {text!r} is not FRAME=WARMER,MAGENTA,BRIGHTER within {MAX_NUDGE[0]:g} mired, {MAX_NUDGE[1]:g} "
            f"of tint and {MAX_NUDGE[2]:g} EV.",
            next_step="For example K1_0412=+5,0,-0.1 (5 mired warmer, 0.1 EV darker).",
        )
    return Nudge(frame_named(name, ids, option=option), warmer, tint, ev, whole_light=option == "--nudge-light")


def _contradictions(wishes: Wishes) -> list[WrongUsage]:
    """Nudges of frames that cannot move, and frames that are left out and asked for at once."""
    references = {p.frame_id for p in wishes.references if isinstance(p, Pointer)}
    marked = {p.frame_id for p in (*wishes.skin, *wishes.neutral)}
    told = []
    for nudge in wishes.nudges:
        frame_id, option = nudge.frame_id, "--nudge-light" if nudge.whole_light else "--nudge"
        if not nudge.whole_light and frame_id in references:
            told.append(f"{option}: {frame_id} is the reference, which is never changed.")
        elif not nudge.whole_light and frame_id in wishes.keep:
            told.append(f"{option}: {frame_id} is held as it is by --keep.")
        elif frame_id in wishes.leave_out:
            told.append(f"{option}: {frame_id} is left out by --leave-out.")
    for frame_id in sorted(wishes.leave_out):
        if frame_id in references:
            told.append(f"--leave-out: {frame_id} is the reference.")
        elif frame_id in wishes.keep | marked:
            told.append(f"--leave-out: another option holds or marks {frame_id}.")
    for strength in wishes.strengths:
        if strength.frame_id in wishes.leave_out:
            told.append(f"--strength-at: {strength.frame_id} is left out by --leave-out.")
    return [WrongUsage(what, next_step="Leave one of the two out.") for what in told]
