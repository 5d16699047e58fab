"""What the page shows, as plain data: the same document feeds the file on the disk and the page that is alive.

Keys stand for frames (a hash of the frame's name), so that the browser never holds a path to hand back. Boxes are
fractions of the upright picture; `ab` are a* and b* of the skin at the person's own luminance (CIELAB, D50).
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from xmpsync import __version__
from xmpsync.colour.camera import render
from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.colour.cielab import delta_e00, lab_from_xyz_d50, xyz_d50_from_lab
from xmpsync.measurement import Face
from xmpsync.plan.propose import Row
from xmpsync.records import Develop
from xmpsync.review import words
from xmpsync.review.pictures import css_colours
from xmpsync.shoot.correct import Correction
from xmpsync.shoot.names_given import face_at
from xmpsync.shoot.people import FacePlace, People
from xmpsync.shoot.pointers import LabNumbers
from xmpsync.shoot.references import references_of
from xmpsync.shoot.request import as_it_stands
from xmpsync.solve.problem import Frame
from xmpsync.solve.solution import NEEDS_HANDWORK, Basis, FaceResult, Finding, Person

SCHEMA = 2
CANDIDATES = 6
"""Frames offered as references where none is chosen yet: a row that an eye takes in."""


def key_of(frame_id: str) -> str:
    """The key of a frame: 12 hexadecimal digits."""
    return hashlib.sha256(frame_id.encode("utf-8", "surrogateescape")).hexdigest()[:12]


def settings_now(frame: Frame, row: Row) -> Develop:
    """The settings that a frame has after the run, in its profile's terms."""
    return row.after or frame.baseline


def left_out_frames(correction: Correction) -> list[Frame]:
    """Frames that were read and are left out by name."""
    asked = {frame.frame_id for frame in correction.proposal.request.frames}
    stand = correction.ready.stand.frames
    return [as_it_stands(standing) for frame_id, standing in stand.items() if frame_id not in asked]


def view(correction: Correction, people: People) -> dict[str, Any]:
    """The document of one proposal; pictures are added by whoever serves or writes them."""
    proposal, ready = correction.proposal, correction.ready
    rows = {row.frame_id: row for row in proposal.rows}
    frames = sorted(proposal.request.frames, key=lambda f: (f.capture.time_s or 0.0, f.frame_id))
    persons = {person.name: person for person in proposal.solution.persons}
    shades = _shades(frames, rows, persons)
    tolerance = ready.options.tolerance_de00, ready.options.tolerance_ev
    shown = [_frame(frame, rows[frame.frame_id], shades, tolerance) for frame in frames]
    hand = sorted((f for f in shown if f["hand"]), key=lambda f: (-f["worst"], f["name"]))
    options = ready.options
    return {
        "schema": SCHEMA,
        "tool_version": __version__,
        "shoot": words.shown(ready.root.resolve().name),
        "headline": words.headline(correction),
        "sentences": words.sentences(correction, [_why(f) for f in hand]),
        "figures": words.numbers(correction),
        "chosen": bool(options.references),
        "references": _references(correction),
        "tolerance": {"de00": options.tolerance_de00, "ev": options.tolerance_ev},
        "persons": [_person(person, options.tolerance_de00) for person in persons.values()],
        "ask": [_asked(place, correction) for place in people.ask],
        "candidates": [] if options.references else _candidates(people, ready.root),
        "marks": _marks(correction),
        "out": [
            {"key": key_of(f.frame_id), "name": words.stem(f.frame_id), "path": words.shown(f.frame_id),
             "aspect": _aspect(f)}
            for f in left_out_frames(correction)
        ],
        "lights": _lights(correction, rows),
        "frames": shown,
        "hand": [f["key"] for f in hand],
        "notes": _notes(correction),
    }  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Shade:
    """A face's skin before and now: CSS colours, and a*, b* at its person's own luminance (None without a person)."""

    colour: list[str]
    ab: list[list[float]] | None


def _shades(
    frames: list[Frame], rows: Mapping[str, Row], persons: Mapping[str, Person]
) -> dict[tuple[str, str], _Shade]:
    """The shade of every face with skin; one vectorised call per profile."""
    by_profile: dict[CameraProfile, list[tuple[Frame, Face]]] = {}
    for frame in frames:
        for face in frame.faces:
            if face.skin is not None:
                by_profile.setdefault(frame.profile, []).append((frame, face))
    whose = {(row.frame_id, face.face_id): face.person for row in rows.values() for face in row.result.faces}
    own_xyz = {name: xyz_d50_from_lab(person.lab_d50) for name, person in persons.items()}
    found: dict[tuple[str, str], _Shade] = {}
    for profile, pairs in by_profile.items():
        camera = np.array([face.skin.camera for _, face in pairs if face.skin is not None])
        people = [whose.get((frame.frame_id, face.face_id)) for frame, face in pairs]
        luminance = np.array([own_xyz[p][1] if p is not None else np.nan for p in people])
        colours, ab = [], []
        for now in (False, True):
            at = [settings_now(f, rows[f.frame_id]) if now else f.baseline for f, _ in pairs]
            ev = np.array([s.exposure_ev + f.baseline_exposure_ev for s, (f, _) in zip(at, pairs, strict=True)])
            kelvin, tint = np.array([s.temperature_k for s in at]), np.array([s.tint for s in at])
            xyz = render(profile, camera, kelvin, tint, ev)
            colours.append(css_colours(xyz))
            scale = luminance / np.maximum(xyz[:, 1], 1e-9)
            ab.append(np.nan_to_num(lab_from_xyz_d50(xyz * scale[:, None])[:, 1:], posinf=0.0, neginf=0.0).round(2))
        for i, (frame, face) in enumerate(pairs):
            places = [ab[0][i].tolist(), ab[1][i].tolist()] if people[i] is not None else None
            found[frame.frame_id, face.face_id] = _Shade([colours[0][i], colours[1][i]], places)
    return found


def _frame(
    frame: Frame,
    row: Row,
    shades: Mapping[tuple[str, str], _Shade],
    tolerance: tuple[float, float],
) -> dict[str, Any]:
    result = row.result
    moves = result.basis not in (Basis.REFERENCE, Basis.HELD)
    hand = moves and any(f.code in NEEDS_HANDWORK for f in result.findings)
    hand = hand or any(_off(face, tolerance) > 1.0 for face in result.faces if face.judged and moves)
    by_id = {face.face_id: face for face in frame.faces}
    known = {r.face_id for r in result.faces}
    faces = [
        _face(by_id[r.face_id], r, shades.get((frame.frame_id, r.face_id)), tolerance)
        for r in result.faces
        if r.face_id in by_id
    ]
    faces += [_face_without_skin(face) for face in frame.faces if face.face_id not in known]
    capture = frame.capture
    return {
        "key": key_of(frame.frame_id),
        "name": words.stem(frame.frame_id),
        "path": words.shown(frame.frame_id),
        "time_s": capture.time_s,
        "light": result.group,
        "basis": result.basis.value,
        "aspect": _aspect(frame),
        "before": _numbers(row.before),
        "shot": [round(frame.as_shot.temperature_k, -1), round(frame.as_shot.tint)] if frame.as_shot_known else None,
        "after": _numbers(row.after) if row.after else None,
        "sd": {"mired": result.sd_mired, "tint": result.sd_tint, "ev": result.sd_ev},
        "faces": faces,
        "findings": sorted((_finding(f) for f in result.findings), key=lambda finding: not finding["work"]),
        "hand": hand,
        "worst": max((f["off"] for f in faces), default=0.0),
    }


def _why(shown: Mapping[str, Any]) -> list[str]:
    """Why a frame needs a hand, in the words of its findings."""
    found = [finding["name"] for finding in shown["findings"] if finding["work"]]
    return found or ["a face still off"]


def _aspect(frame: Frame) -> float:
    capture = frame.capture
    return capture.width / capture.height if capture.width and capture.height else 1.5


def _face(
    face: Face,
    result: FaceResult,
    shade: _Shade | None,
    tolerance: tuple[float, float],
) -> dict[str, Any]:
    shown: dict[str, Any] = {
        "id": face.face_id,
        "person": words.shown(result.person) if result.person else None,
        "perhaps": words.shown(result.perhaps) if result.perhaps else None,
        "probability": round(result.probability, 3),
        "box": _box(face),
        "de00": _pair(result.delta_e00_before, result.delta_e00_after),
        "ev": _pair(result.level_ev_before, result.level_ev_after),
        "why": words.WHY_UNJUDGED[result.unjudged] if result.unjudged else None,
        "off": round(_off(result, tolerance), 3),
        "colour": shade.colour if shade is not None else None,
        "ab": shade.ab if shade is not None else None,
    }
    return shown


def _face_without_skin(face: Face) -> dict[str, Any]:
    why = face.unusable.value.replace("-", " ") if face.unusable else "no skin"
    return {
        "id": face.face_id, "person": words.shown(face.name) if face.name else None, "perhaps": None,
        "probability": 0.0, "box": _box(face), "de00": None, "ev": None, "why": why, "off": 0.0, "colour": None,
        "ab": None,
    }  # fmt: skip


def _off(result: FaceResult, tolerance: tuple[float, float]) -> float:
    """How far a face is off now, in tolerances (dE00, EV): what `worst first` sorts by."""
    if result.delta_e00_after is None or result.level_ev_after is None:
        return 0.0
    de00, ev = (max(value, 1e-3) for value in tolerance)
    return float(max(result.delta_e00_after / de00, abs(result.level_ev_after) / ev))


def _pair(before: float | None, after: float | None) -> list[float] | None:
    return None if before is None or after is None else [round(before, 3), round(after, 3)]


def _box(face: Face) -> list[float]:
    return [round(float(v), 4) for v in (face.box.left, face.box.top, face.box.width, face.box.height)]


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "code": finding.code.value,
        "name": words.finding_name(finding.code),
        "advice": words.shown(finding.advice),
        "work": finding.code in NEEDS_HANDWORK,
        "local": [
            {
                "id": d.face_id,
                "who": words.shown(d.person or "unnamed face"),
                "words": words.local_words(d),
                "numbers": words.minus(f"{d.d_exposure_ev:+.2f} EV, {d.d_mired:+.0f} mired, tint {d.d_tint:+.0f}"),
            }
            for d in finding.local
        ],
    }


def _numbers(values: Develop) -> dict[str, float | None]:
    return dict(zip(("kelvin", "tint", "ev"), values.as_json().values(), strict=True))


def _person(person: Person, tolerance_de00: float) -> dict[str, Any]:
    return {
        "name": words.shown(person.name),
        "colour": css_colours(xyz_d50_from_lab(person.lab_d50)[None])[0],
        "ab": [round(v, 2) for v in person.lab_d50[1:]],
        "lightness": round(person.lab_d50[0], 1),
        "faces": person.n_faces,
        "referenced": person.referenced,
        "spread_de00": round(person.reference_spread_de00, 2),
        "alike": [words.shown(name) for name in person.alike_to],
        "contour": tolerance_contour(person.lab_d50, tolerance_de00),
    }


def tolerance_contour(lab: tuple[float, float, float], de00: float, n: int = 36) -> list[list[float]]:
    """Where in a*, b* the CIEDE2000 difference from `lab` at equal lightness is `de00`: n points around it."""
    angle = np.linspace(0.0, 2.0 * np.pi, n, endpoint=False)
    low, high = np.zeros(n), np.full(n, 40.0)
    for _ in range(24):
        middle = 0.5 * (low + high)
        at = np.stack([np.full(n, lab[0]), lab[1] + middle * np.cos(angle), lab[2] + middle * np.sin(angle)], axis=-1)
        inside = delta_e00(np.asarray(lab), at) < de00
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    return [
        [round(float(lab[1] + r * np.cos(t)), 2), round(float(lab[2] + r * np.sin(t)), 2)]
        for r, t in zip(low, angle, strict=True)
    ]


def _light_numbers(correction: Correction) -> dict[int, int]:
    """The number of each light by its group: 1, 2, ... in order of time."""
    times = {f.frame_id: f.capture.time_s for f in correction.proposal.request.frames}
    groups = correction.proposal.solution.groups
    first = {g.index: min((t for i in g.frame_ids if (t := times[i]) is not None), default=0.0) for g in groups}
    return {index: n for n, index in enumerate(sorted(first, key=lambda index: (first[index], index)), start=1)}


def _lights(correction: Correction, rows: Mapping[str, Row]) -> list[dict[str, Any]]:
    frames = {frame.frame_id: frame for frame in correction.proposal.request.frames}
    numbers = _light_numbers(correction)
    found = []
    for group in correction.proposal.solution.groups:
        own = [frames[frame_id] for frame_id in group.frame_ids]
        at = [settings_now(f, rows[f.frame_id]) for f in own if rows[f.frame_id].result.basis is not Basis.LEFT_ALONE]
        found.append(
            {
                "light": group.index,
                "number": numbers[group.index],
                "name": words.light_name(numbers[group.index], own, at),
                "strength": group.strength,
            }
        )
    return sorted(found, key=lambda light: light["number"])


def _asked(place: FacePlace, correction: Correction) -> dict[str, Any]:
    """A face whose name would settle most: its frame, its id, and how many faces wait for the like."""
    frame = next(f for f in correction.proposal.request.frames if f.frame_id == place.frame_id)
    face = face_at(frame.faces, place.x, place.y)
    return {"key": key_of(place.frame_id), "id": face.face_id if face is not None else ""}


def _candidates(people: People, root: Path) -> list[dict[str, Any]]:
    """Frames that would make good references, the fewest that show everybody first, each with the reasons."""
    found = references_of(people, root)
    reasons: dict[str, tuple[str, ...]] = {}
    for ones in found.by_person.values():
        for one in ones:
            reasons.setdefault(one.frame_id, one.reasons)
    names = [*found.chosen, *(name for name in reasons if name not in found.chosen)][:CANDIDATES]
    return [{"key": key_of(name), "reasons": list(reasons.get(name, ()))} for name in names]


def _marks(correction: Correction) -> list[dict[str, Any]]:
    """Places marked by hand, as the options say them, and the cast that is left on neutral ones."""
    wishes = correction.ready.loaded.wishes
    casts = {(cast.frame_id, cast.place): cast for cast in correction.proposal.neutrals()}
    found = []
    for kind, pointers in (("neutral", wishes.neutral), ("skin", wishes.skin)):
        for meant in pointers:
            cast = casts.get((meant.frame_id, meant.place)) if meant.place is not None else None
            found.append({
                "kind": kind,
                "text": words.shown(meant.text),
                "key": key_of(meant.frame_id),
                "name": words.stem(meant.frame_id),
                "place": meant.place,
                "cast": [round(cast.delta_e00_before, 1), round(cast.delta_e00_after, 1)] if cast else None,
            })  # fmt: skip
    return found


def _references(correction: Correction) -> list[dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    for meant in correction.ready.loaded.wishes.references:
        if isinstance(meant, LabNumbers):
            continue
        entry = found.setdefault(meant.frame_id, {"key": key_of(meant.frame_id), "said": []})
        entry["said"].append(words.shown(meant.text))
    return list(found.values())


def _notes(correction: Correction) -> list[str]:
    notes = [t.sentence for t in correction.troubles]
    notes += [f"{f.name}: left out, {f.reason}" for f in correction.left_out]
    notes += [*correction.ready.stand.notes(), *correction.proposal.solution.notes]
    return [words.shown(note) for note in notes]
