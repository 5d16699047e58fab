"""The use-case `people`: who was found, how sure, and the names given by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from xmpsync.errors import WrongOptions, WrongUsage
from xmpsync.events import Listener, WithoutNotes
from xmpsync.measurement import Face
from xmpsync.measuring.machine import Machine
from xmpsync.plan.options import Options
from xmpsync.shoot.names_given import Answer, change_answers, face_at, read_answers
from xmpsync.shoot.phrases import command
from xmpsync.shoot.pointers import below, parse_pointer
from xmpsync.shoot.session import Ready, prepare, recall
from xmpsync.shoot.state import refuse_unfinished, state_folder
from xmpsync.solve import check
from xmpsync.solve.solution import FaceResult, Solution

ANCHORS = 5
"""Faces kept for one answer: one would do for the solver; a few more outlive frames that are moved away later."""


@dataclass(frozen=True, slots=True)
class PeopleWish:
    """Changes by hand: names for labels, pairs that are one person, faces that are another person."""

    names: tuple[str, ...] = ()
    same: tuple[tuple[str, str], ...] = ()
    apart: tuple[str, ...] = ()
    forget: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FacePlace:
    """One face: its frame and the middle of its box, as it is typed."""

    frame_id: str
    x: float
    y: float

    @property
    def text(self) -> str:
        return f"{self.frame_id}@{self.x:.3f},{self.y:.3f}"


@dataclass(frozen=True, slots=True)
class PersonFound:
    """One person: `n_faces` surely theirs, `n_perhaps` perhaps theirs, the lights they stand in, the surest face.

    `sure` is the least probability among the faces that count as theirs; None without such a face.
    """

    name: str
    n_faces: int
    n_perhaps: int
    n_lights: int
    sure: float | None
    alike_to: tuple[str, ...]
    named: bool
    best: FacePlace | None


@dataclass(frozen=True, slots=True)
class People:
    """Everybody in the shoot, the answers that are kept, and the faces whose names would settle most."""

    ready: Ready
    solution: Solution
    persons: tuple[PersonFound, ...]
    answers: tuple[Answer, ...]
    ask: tuple[FacePlace, ...]
    n_unknown: int


@dataclass(frozen=True, slots=True)
class _Shown:
    place: FacePlace
    group: int
    face: Face
    result: FaceResult


def find_people(root: Path, options: Options, machine: Machine, listener: Listener, wish: PeopleWish) -> People:
    """Who is in the shoot. What `wish` holds is kept in the state folder first, and counts from then on.

    Raises WrongOptions with all names, labels and places that do not exist; then nothing is kept.
    """
    state = state_folder(root, machine)
    refuse_unfinished(root, state)
    # before a wish is kept the notes are those of a moment ago
    before = listener if wish == PeopleWish() else WithoutNotes(listener)
    found = _find(root, recall(options, state, before), machine, before, state)
    if wish == PeopleWish():
        return found
    change_answers(state, lambda kept: answers_after(replace(found, answers=kept), wish, root))
    return _find(root, recall(options, state, listener), machine, listener, state)


def _find(root: Path, options: Options, machine: Machine, listener: Listener, state: Path) -> People:
    ready = prepare(root, options, machine, listener)
    listener.start("Telling people apart", 0)
    try:
        solution = check(ready.request)
    finally:
        listener.done()
    return people_of(ready, solution, read_answers(state))


def people_of(ready: Ready, solution: Solution, answers: Sequence[Answer]) -> People:
    """The people of a solution."""
    shown = _shown(ready, solution)
    given = {face.name for frame in ready.request.frames for face in frame.faces if face.name is not None}
    persons = []
    for person in solution.persons:
        own = [s for s in shown if s.result.person == person.name]
        perhaps = [s for s in shown if s.result.person is None and s.result.perhaps == person.name]
        best = max(own or perhaps, key=_sureness, default=None)
        persons.append(
            PersonFound(
                name=person.name,
                n_faces=len(own),
                n_perhaps=len(perhaps),
                n_lights=len({s.group for s in own}),
                sure=min((s.result.probability for s in own), default=None),
                alike_to=person.alike_to,
                named=person.name in given,
                best=best.place if best is not None else None,
            )
        )
    unknown = [s for s in shown if s.result.person is None]
    return People(ready, solution, tuple(persons), tuple(answers), _ask(persons, unknown), len(unknown))


def _shown(ready: Ready, solution: Solution) -> list[_Shown]:
    shown = []
    for frame, result in zip(ready.request.frames, solution.frames, strict=True):
        faces = {face.face_id: face for face in frame.faces}
        for one in result.faces:
            box = faces[one.face_id].box
            place = FacePlace(frame.frame_id, box.left + box.width / 2, box.top + box.height / 2)
            shown.append(_Shown(place, result.group, faces[one.face_id], one))
    return shown


def _sureness(shown: _Shown) -> tuple[float, float]:
    """Certain faces first, large ones among them."""
    return shown.result.probability, shown.face.box.width * shown.face.box.height


def _ask(persons: Sequence[PersonFound], unknown: Sequence[_Shown]) -> tuple[FacePlace, ...]:
    """Up to three faces, once named, settle most: of unnamed people alike to others or with most faces in doubt."""
    open_ones = [p for p in persons if not p.named and p.best is not None and (p.n_perhaps or p.alike_to)]
    open_ones.sort(key=lambda p: (-(p.n_perhaps + (p.n_faces if p.alike_to else 0)), p.name))
    asked = [p.best for p in open_ones[:3] if p.best is not None]
    largest = sorted(unknown, key=lambda s: -s.face.box.width * s.face.box.height)
    asked += [s.place for s in largest if s.face.skin is not None and s.place not in asked]
    return tuple(asked[:3])


def answers_after(found: People, wish: PeopleWish, root: Path) -> list[Answer]:
    """The answers with the wish carried out.

    Raises WrongOptions with every name, label and place that does not exist.
    """
    wrong: list[WrongUsage] = []
    kept = {a.name for a in found.answers}
    wrong += [
        WrongUsage(f"--forget {name!r}: no such name was given.", next_step=f"See: {command('people', root)}")
        for name in wish.forget
        if name not in kept
    ]
    answers = [a for a in found.answers if a.name not in wish.forget]
    known = {p.name for p in found.persons}
    here = f"People found: {', '.join(sorted(known))}."

    def pointed(text: str, name: str, option: str) -> list[Answer]:
        try:
            return [_pointed(found, text, name, option, root)]
        except WrongUsage as error:
            wrong.append(error)
            return []

    renamed: list[tuple[str, str]] = []
    for text in wish.names:
        label, name = (part.strip() for part in text.partition("=")[::2])
        if "@" in label and name:
            answers = _replaced(answers, pointed(label, name, "--name"))
        elif name and label in known:
            renamed.append((label, name))
        else:
            what = "no such person" if name else "the name is missing"
            step = f"{here} Write 'person 3=Ada', or FRAME@x,y=Ada for one face."
            wrong.append(WrongUsage(f"--name {text!r}: {what}.", next_step=step))
    for pair in wish.same:
        unknown = [label for label in pair if label not in known]
        wrong += [WrongUsage(f"--same {label!r}: no such person.", next_step=here) for label in unknown]
        named = [p.name for p in found.persons if p.name in pair and p.named]
        renamed += [(label, named[0] if named else pair[0]) for label in pair]
    for label, name in renamed:
        answers = [Answer(a.frame_id, a.x, a.y, name) if a.name == label else a for a in answers]
        answers = _replaced(answers, _anchors(found, label, name))
    for text in wish.apart:
        taken = {a.name for a in answers} | known
        label = next(f"somebody {n}" for n in range(1, len(taken) + 2) if f"somebody {n}" not in taken)
        answers = _replaced(answers, pointed(text, label, "--apart"))
    if wrong:
        raise WrongOptions(wrong)
    return answers


def _anchors(found: People, label: str, name: str) -> list[Answer]:
    """The surest faces of a person, each in another frame. A face that a region names keeps that name."""
    shown = [s for s in _shown(found.ready, found.solution) if s.result.person == label]
    shown = shown or [s for s in _shown(found.ready, found.solution) if s.result.perhaps == label]
    best = sorted(shown, key=_sureness, reverse=True)
    best = [s for s in best if s.face.name is None or s.face.named_by_hand][:ANCHORS]
    return [Answer(s.place.frame_id, round(s.place.x, 4), round(s.place.y, 4), name) for s in best]


def _pointed(found: People, text: str, name: str, option: str, root: Path) -> Answer:
    pointer = parse_pointer(below(root, text), found.ready.loaded.all_ids, option=option)
    if pointer.place is None:
        raise WrongUsage(f"{option} {text!r} lacks the place.", next_step="Write FRAME@x,y.")
    standing = found.ready.stand.frames.get(pointer.frame_id)
    face = face_at(standing.measurement.faces, *pointer.place) if standing is not None else None
    if face is None:
        raise WrongUsage(
            f"{option} {text!r}: no face there.", next_step="Point at the middle of a face that was found."
        )
    return Answer(pointer.frame_id, *pointer.place, name)


def _replaced(answers: Sequence[Answer], new: Sequence[Answer]) -> list[Answer]:
    """The answers with the new ones; an older answer about the same place gives way."""
    at = {(a.frame_id, round(a.x, 3), round(a.y, 3)) for a in new}
    return [a for a in answers if (a.frame_id, round(a.x, 3), round(a.y, 3)) not in at] + list(new)
