"""What a choice on the page means as options of the command line, or as an answer about people."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import msgspec

from xmpsync.errors import WrongUsage, XmpsyncError
from xmpsync.measurement import Face
from xmpsync.plan.options import Options
from xmpsync.review.words import shown
from xmpsync.shoot.correct import Correction
from xmpsync.shoot.people import PeopleWish
from xmpsync.shoot.pointers import LabNumbers
from xmpsync.solve.problem import Frame, Nudge

LONGEST_NAME = 200
"""Characters of a person's name: region names of this length are read too."""


class Choice(msgspec.Struct, forbid_unknown_fields=True):
    """One choice: what is done (`do`), and to which frame, face, place, person or light.

    `x` and `y` are fractions of the upright picture; `warmer`, `tint` and `ev` are added to the nudge there is.
    `text` is an option's text as the page's own document gave it.
    """

    do: str
    version: int = -1
    frame: str = ""
    face: str = ""
    person: str = ""
    other: str = ""
    text: str = ""
    value: float = 0.0
    x: float = -1.0
    y: float = -1.0
    warmer: float = 0.0
    tint: float = 0.0
    ev: float = 0.0


def wish_of(choice: Choice, frame: Frame | None, now: Correction) -> PeopleWish | None:
    """The answer about people that a choice is; None where it is another choice."""
    name = choice.person.strip()[:LONGEST_NAME]
    if choice.do == "name-face":
        return PeopleWish(names=(f"{_place(frame, choice.face)}={_named(name)}",))
    if choice.do == "name-person":
        return PeopleWish(names=(f"{_person(choice.other, now)}={_named(name)}",))
    if choice.do == "join":
        return PeopleWish(same=((_person(choice.other, now), _person(name, now)),))
    if choice.do == "part":
        return PeopleWish(apart=(_place(frame, choice.face),))
    if choice.do == "forget":
        return PeopleWish(forget=(name,))
    return None


def options_after(options: Options, choice: Choice, frame: Frame | None, now: Correction) -> Options:
    """The options after one choice.

    Raises XmpsyncError for what is no choice, WrongUsage where the frame or the face does not exist.
    """
    if choice.do == "drop":
        return _without(options, choice.text)
    if choice.do == "strength-all":
        return replace(options, strength=_part(choice.value), strength_at=())
    if choice.do == "neutral-weight":
        return replace(options, neutral_weight=_part(choice.value))
    if frame is None:
        raise WrongUsage("There is no such frame on the desk.", next_step="Reload the page.")
    name = frame.frame_id
    match choice.do:
        case "reference-frame":
            return replace(options, references=(name,))
        case "reference-face" | "reference-place":
            place = _place(frame, choice.face) if choice.face else _at(name, choice)
            return replace(options, references=_references(now, place, choice.person.strip()[:LONGEST_NAME]))
        case "hold":
            return replace(options, keep=_toggled(options.keep, name))
        case "leave-out":
            return replace(options, leave_out=_toggled(options.leave_out, name))
        case "strength":
            rest = _not_of(options.strength_at, _light_of(now, name))
            return replace(options, strength_at=(*rest, f"{name}={_part(choice.value):g}"))
        case "nudge":
            return replace(options, nudge=_nudged(now, options.nudge, {name}, choice, name))
        case "nudge-light":
            return replace(options, nudge_light=_nudged(now, options.nudge_light, _light_of(now, name), choice, name))
        case "neutral":
            return replace(options, neutral=(*options.neutral, _at(name, choice)))
        case "skin":
            person = choice.person.strip()[:LONGEST_NAME]
            return replace(
                options, skin=(*options.skin, f"{person}={_at(name, choice)}" if person else _at(name, choice))
            )
    raise XmpsyncError(f"{choice.do!r} is not a choice.", next_step="Reload the page.")


def nudge_of(nudges: Iterable[Nudge], frames: Iterable[str]) -> tuple[float, float, float]:
    """What the nudges of these frames add up to: mired warmer, tint, EV."""
    names = set(frames)
    own = [n for n in nudges if n.frame_id in names]
    return sum(n.warmer_mired for n in own), sum(n.tint for n in own), sum(n.exposure_ev for n in own)


def _nudged(now: Correction, texts: tuple[str, ...], same: set[str], choice: Choice, name: str) -> tuple[str, ...]:
    whole_light = choice.do == "nudge-light"
    nudges = [n for n in now.ready.loaded.wishes.nudges if n.whole_light == whole_light]
    old = (0.0, 0.0, 0.0) if choice.value < 0 else nudge_of(nudges, same)  # a negative value takes the nudge away
    new = [round(a + b, 3) + 0.0 for a, b in zip(old, (choice.warmer, choice.tint, choice.ev), strict=True)]
    rest = _not_of(texts, same)
    return (*rest, f"{name}={','.join(f'{v:+g}' if v else '0' for v in new)}") if any(new) else rest


def _not_of(texts: tuple[str, ...], frames: set[str]) -> tuple[str, ...]:
    return tuple(text for text in texts if text.rpartition("=")[0] not in frames)


def _light_of(now: Correction, frame_id: str) -> set[str]:
    """The frames of the same light."""
    for group in now.proposal.solution.groups:
        if frame_id in group.frame_ids:
            return set(group.frame_ids)
    return {frame_id}


def _references(now: Correction, place: str, person: str) -> tuple[str, ...]:
    """The references with this place for this person. Whoever else a frame stood for keeps it, face by face."""
    if not person:
        return (place,)
    kept: list[str] = []
    for text, meant in zip(now.ready.options.references, now.ready.loaded.wishes.references, strict=True):
        if meant.person is not None:
            kept += [text] if meant.person != person else []
        elif isinstance(meant, LabNumbers):
            kept.append(text)
        else:
            kept += _faces_of_others(now, text, meant.frame_id, meant.place is not None, person)
    return (*kept, f"{person}={place}")


def _faces_of_others(now: Correction, text: str, frame_id: str, at_place: bool, person: str) -> list[str]:
    """A reference without a name, as it stands, or face by face where it also stood for `person`."""
    found = next((f for f in now.proposal.solution.frames if f.frame_id == frame_id), None)
    frame = next((f for f in now.proposal.request.frames if f.frame_id == frame_id), None)
    if found is None or frame is None:
        return [text]
    whose = {face.face_id: face.person or face.perhaps for face in found.faces}
    if person not in whose.values():
        return [text]
    if at_place:
        return []
    return [f"{whose[f.face_id]}={_place(frame, f.face_id)}" for f in frame.faces
            if f.skin is not None and whose.get(f.face_id) not in (None, person)]  # fmt: skip


def _without(options: Options, text: str) -> Options:
    for name in ("references", "neutral", "skin"):
        texts = getattr(options, name)
        found = next((t for t in texts if shown(t) == text), None)
        if found is not None:
            less: dict[str, Any] = {name: tuple(t for t in texts if t != found)}
            return replace(options, **less)
    raise WrongUsage("There is no such mark any more.", next_step="Reload the page.")


def _toggled(texts: tuple[str, ...], name: str) -> tuple[str, ...]:
    rest = tuple(text for text in texts if text != name)
    return rest if len(rest) != len(texts) else (*rest, name)


def _place(frame: Frame | None, face_id: str) -> str:
    face: Face | None = next((f for f in frame.faces if f.face_id == face_id), None) if frame else None
    if frame is None or face is None:
        raise WrongUsage("There is no such face in this frame.", next_step="Reload the page.")
    x, y = (min(max(v, 0.0), 1.0) for v in face.box.centre)
    return f"{frame.frame_id}@{x:.4f},{y:.4f}"


def _at(name: str, choice: Choice) -> str:
    if not (0.0 <= choice.x <= 1.0 and 0.0 <= choice.y <= 1.0):
        raise WrongUsage("This place is outside the picture.", next_step="Point inside it.")
    return f"{name}@{choice.x:.4f},{choice.y:.4f}"


def _named(name: str) -> str:
    if not name:
        raise WrongUsage("A name is missing.", next_step="Type one.")
    return name


def _person(text: str, now: Correction) -> str:
    """The person that the page shows under this text."""
    for person in now.proposal.solution.persons:
        if shown(person.name) == text:
            return person.name
    raise WrongUsage(f"There is nobody called {text!r} here.", next_step="Reload the page.")


def _part(value: float) -> float:
    return min(max(value, 0.0), 1.0) if value == value else 0.0
