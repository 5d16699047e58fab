"""The use-case `references`: which frames would make the best references, with reasons and a command line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from xmpsync.colour.camera import render
from xmpsync.events import Listener
from xmpsync.measurement import Face
from xmpsync.measuring.machine import Machine
from xmpsync.plan.options import Options
from xmpsync.shoot.people import FacePlace, People, find_people
from xmpsync.shoot.people import PeopleWish as NothingSaid
from xmpsync.shoot.phrases import command
from xmpsync.skin.records import FaceSkin
from xmpsync.solve.problem import Frame
from xmpsync.solve.solution import Code

SHOWN = 3
"""Candidates shown for each person: the few that an eye can compare."""


@dataclass(frozen=True, slots=True)
class Weights:
    """Costs of a frame as reference, in units in which 1 is a clear reason to choose another."""

    noise: float = 0.02
    """Relative standard deviation of the face's colour that counts 1: about 1 dE00 of skin."""
    level_ev: float = 1.0
    """Distance of the skin's luminance from the middle of the same person's frames that counts 1."""
    clipped: float = 0.05
    """Share of clipped skin that counts 1."""
    side_sd: float = 3.0
    """Difference of colour between two sides of a face, in standard deviations, that counts 1."""
    unknown_white: float = 3.0
    """Counts for a frame whose as-shot white the file does not give and nobody set."""
    by_hand: float = -0.3
    """A frame whose numbers were set by hand is rather what its photographer wants."""
    each_person: float = -0.3
    """Each further person in the frame: one reference then serves several."""


WEIGHTS = Weights()


@dataclass(frozen=True, slots=True)
class Candidate:
    """One frame as a reference for one person, with reasons for and against it. A lower `cost` is better."""

    frame_id: str
    person: str
    place: FacePlace
    cost: float
    n_people: int
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class References:
    """The best candidates of each person, the frames that together serve everybody, and the command to run."""

    people: People
    by_person: dict[str, tuple[Candidate, ...]]
    chosen: tuple[str, ...]
    command: str


def find_references(root: Path, options: Options, machine: Machine, listener: Listener) -> References:
    """Rank the frames of a shoot as references, for each person."""
    return references_of(find_people(root, options, machine, listener, NothingSaid()), root)


def references_of(people: People, root: Path) -> References:
    """The same of people that were found already."""
    by_person = {
        person: tuple(sorted(found, key=lambda c: (c.cost, c.frame_id))[:SHOWN])
        for person, found in _candidates(people).items()
    }
    chosen = _cover(by_person, _candidates(people))
    words = [word for frame_id in chosen for word in ("--reference", frame_id)]
    return References(people, by_person, chosen, command("correct", root, *words, "--dry-run"))


@dataclass(frozen=True, slots=True)
class _Possible:
    frame: Frame
    face: Face
    skin: FaceSkin
    level_ev: float
    n_people: int
    mixed_light: bool


def _candidates(people: People) -> dict[str, list[Candidate]]:
    ready = people.ready
    possible: dict[str, list[_Possible]] = {p.name: [] for p in people.persons}
    for frame, result in zip(ready.request.frames, people.solution.frames, strict=True):
        faces = {face.face_id: face for face in frame.faces}
        n_people = len({r.person for r in result.faces if r.person is not None})
        mixed = any(finding.code is Code.MIXED_LIGHT for finding in result.findings)
        for one in result.faces:
            face = faces[one.face_id]
            if one.person is not None and face.skin is not None and frame.baseline_known:
                level_ev = _level_ev(frame, face.skin)
                possible[one.person].append(_Possible(frame, face, face.skin, level_ev, n_people, mixed))
    found: dict[str, list[Candidate]] = {}
    for person, ones in possible.items():
        usual_ev = float(np.median([p.level_ev for p in ones])) if ones else 0.0
        found[person] = []
        for p in ones:
            by_hand = ready.stand.frames[p.frame.frame_id].baseline.custom
            cost, reasons = _cost(p, usual_ev, by_hand=by_hand)
            box = p.face.box
            place = FacePlace(p.frame.frame_id, box.left + box.width / 2, box.top + box.height / 2)
            found[person].append(Candidate(p.frame.frame_id, person, place, cost, p.n_people, reasons))
    return found


def _level_ev(frame: Frame, skin: FaceSkin) -> float:
    """Log2 of the skin's luminance as the frame stands now."""
    where = frame.baseline
    exposure = where.exposure_ev + frame.baseline_exposure_ev
    luminance = render(frame.profile, np.array(skin.camera), where.temperature_k, where.tint, exposure)[1]
    return float(np.log2(max(float(luminance), 1e-6)))


def _cost(possible: _Possible, usual_ev: float, *, by_hand: bool) -> tuple[float, tuple[str, ...]]:
    w, skin, n_people = WEIGHTS, possible.skin, possible.n_people
    off_ev = possible.level_ev - usual_ev
    noise = float(np.sqrt(np.trace(np.array(skin.log_covariance)) / 3))
    sides = skin.sides.chroma_sd if skin.sides is not None and possible.mixed_light else 0.0
    parts = {
        "darker than usual for this person" if off_ev < 0 else "brighter than usual for this person": (
            off_ev / w.level_ev
        )
        ** 2,
        "uncertain colour": (noise / w.noise) ** 2,
        "clipped skin": skin.clipped_fraction / w.clipped,
        "two lights on the face": sides / w.side_sd,
        "camera white not in the file": 0.0 if possible.frame.as_shot_known or by_hand else w.unknown_white,
    }
    reasons = [f"{n_people} people"] if n_people > 1 else []
    reasons += ["set by hand"] if by_hand else []
    against = [name for name, value in parts.items() if value >= 1.0]
    reasons += [f"but: {', '.join(against)}"] if against else ["lit well"]
    cost = sum(parts.values()) + w.by_hand * by_hand + w.each_person * (n_people - 1)
    return cost, tuple(reasons)


def _cover(best: dict[str, tuple[Candidate, ...]], every: dict[str, list[Candidate]]) -> tuple[str, ...]:
    """Few frames that together show everybody who has a candidate: each time the most people, then the least cost."""
    missing = {person for person, found in best.items() if found}
    chosen: list[str] = []
    while missing:
        costs: dict[str, list[float]] = {}
        for person in missing:
            for candidate in every[person]:
                costs.setdefault(candidate.frame_id, []).append(candidate.cost)
        frame_id = min(costs, key=lambda f: (sum(min(c, 1.0) - 2.0 for c in costs[f]), sum(costs[f]), f))
        chosen.append(frame_id)
        missing -= {person for person in missing if any(c.frame_id == frame_id for c in every[person])}
    return tuple(chosen)


def command_to_name(places: Sequence[FacePlace], root: Path) -> str:
    """The command line that names the faces that settle most, NAME to be filled in; empty where none is open."""
    words = [word for place in places for word in ("--name", f"{place.text}=NAME")]
    return command("people", root, *words) if words else ""
