"""What the page shows, as plain data: the same document feeds the file on the disk and the page that is alive.

Keys stand for frames (a hash of the frame's name), so that the browser never holds a path to hand back. Boxes are
fractions of the upright picture; `ab` are a* and b* of the skin at the person's own luminance (CIELAB, D50).
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

import numpy as np

from xmpsync import __version__
from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.camera import render
from xmpsync.colour.difference import delta_e00, lab_from_xyz_d50, xyz_d50_from_lab
from xmpsync.colour.profile import CameraProfile
from xmpsync.records import Numbers, Settings3
from xmpsync.review import words
from xmpsync.review.pictures import css_colour
from xmpsync.shoot.correct import Correction
from xmpsync.shoot.names import LabNumbers
from xmpsync.shoot.propose import Row
from xmpsync.solve.problem import Face, Frame
from xmpsync.solve.solution import NEEDS_HANDWORK, Basis, FaceResult, Finding, Person

SCHEMA = 1


def key_of(frame_id: str) -> str:
    """The key of a frame: 12 hexadecimal digits."""
    return hashlib.sha256(frame_id.encode("utf-8", "surrogateescape")).hexdigest()[:12]


def settings_now(frame: Frame, row: Row) -> Settings3:
    """The settings that a frame has after the run, in its profile's terms."""
    return frame.baseline if row.after is None else row.after.over(frame.baseline)


def view(correction: Correction) -> dict[str, Any]:
    """The document of one proposal; pictures are added by whoever serves or writes them."""
    proposal, ready = correction.proposal, correction.ready
    rows = {row.frame_id: row for row in proposal.rows}
    frames = sorted(proposal.request.frames, key=lambda f: (f.capture.time_s or 0.0, f.frame_id))
    persons = {person.name: person for person in proposal.solution.persons}
    colours = _colours(frames, rows)
    shown = [_frame(frame, rows[frame.frame_id], persons, colours) for frame in frames]
    hand = sorted((f for f in shown if f["hand"]), key=lambda f: (-f["worst"], f["name"]))
    options = ready.options
    return {
        "schema": SCHEMA,
        "tool_version": __version__,
        "shoot": words.shown(ready.root.resolve().name),
        "headline": words.headline(correction),
        "sentences": words.sentences(correction, len(hand)),
        "references": _references(correction),
        "tolerance": {"de00": options.tolerance_de00, "ev": options.tolerance_ev},
        "persons": [_person(person, options.tolerance_de00) for person in persons.values()],
        "lights": _lights(correction, rows),
        "frames": shown,
        "hand": [f["key"] for f in hand],
        "notes": _notes(correction),
    }


def _colours(frames: list[Frame], rows: Mapping[str, Row]) -> dict[tuple[str, str], tuple[FloatArray, FloatArray]]:
    """XYZ D50 of every face with skin, before and now; one vectorised call per profile."""
    by_profile: dict[CameraProfile, list[tuple[Frame, Face]]] = {}
    for frame in frames:
        for face in frame.faces:
            if face.skin is not None:
                by_profile.setdefault(frame.profile, []).append((frame, face))
    found: dict[tuple[str, str], tuple[FloatArray, FloatArray]] = {}
    for profile, pairs in by_profile.items():
        camera = np.array([face.skin.camera for _, face in pairs if face.skin is not None])
        both = []
        for now in (False, True):
            at = [settings_now(f, rows[f.frame_id]) if now else f.baseline for f, _ in pairs]
            ev = np.array([s.exposure_ev + f.baseline_exposure_ev for s, (f, _) in zip(at, pairs, strict=True)])
            kelvin, tint = np.array([s.temperature_k for s in at]), np.array([s.tint for s in at])
            both.append(render(profile, camera, kelvin, tint, ev))
        for (frame, face), before, after in zip(pairs, *both, strict=True):
            found[frame.frame_id, face.face_id] = before, after
    return found


def _frame(
    frame: Frame,
    row: Row,
    persons: Mapping[str, Person],
    colours: Mapping[tuple[str, str], tuple[FloatArray, FloatArray]],
) -> dict[str, Any]:
    result = row.result
    hand = result.basis not in (Basis.REFERENCE, Basis.HELD) and any(f.code in NEEDS_HANDWORK for f in result.findings)
    by_id = {face.face_id: face for face in frame.faces}
    known = {r.face_id for r in result.faces}
    faces = [
        _face(by_id[r.face_id], r, persons, colours.get((frame.frame_id, r.face_id)))
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
        "aspect": capture.width / capture.height if capture.width and capture.height else 1.5,
        "before": _numbers(row.before),
        "after": _numbers(row.after) if row.after else None,
        "sd": {"mired": result.sd_mired, "tint": result.sd_tint, "ev": result.sd_ev},
        "faces": faces,
        "findings": [_finding(finding) for finding in result.findings],
        "hand": hand,
        "worst": max((f["off"] for f in faces), default=0.0),
    }


def _face(
    face: Face, result: FaceResult, persons: Mapping[str, Person], colours: tuple[FloatArray, FloatArray] | None
) -> dict[str, Any]:
    person = persons.get(result.person or "")
    shown: dict[str, Any] = {
        "id": face.face_id,
        "person": words.shown(result.person) if result.person else None,
        "perhaps": words.shown(result.perhaps) if result.perhaps else None,
        "probability": round(result.probability, 3),
        "box": _box(face),
        "de00": _pair(result.delta_e00_before, result.delta_e00_after),
        "ev": _pair(result.level_ev_before, result.level_ev_after),
        "why": words.WHY_UNJUDGED[result.unjudged] if result.unjudged else None,
        "off": round(_off(result), 3),
        "colour": None,
        "ab": None,
    }
    if colours is not None:
        shown["colour"] = [css_colour(xyz) for xyz in colours]
        if person is not None:
            shown["ab"] = [_ab(xyz, person) for xyz in colours]
    return shown


def _face_without_skin(face: Face) -> dict[str, Any]:
    why = face.unusable.value.replace("-", " ") if face.unusable else "no skin"
    return {
        "id": face.face_id, "person": words.shown(face.name) if face.name else None, "perhaps": None,
        "probability": 0.0, "box": _box(face), "de00": None, "ev": None, "why": why, "off": 0.0, "colour": None,
        "ab": None,
    }  # fmt: skip


def _off(result: FaceResult) -> float:
    """How far a face is off now, in tolerances of 2 dE00 and 0.25 EV: what `worst first` sorts by."""
    if result.delta_e00_after is None or result.level_ev_after is None:
        return 0.0
    return float(max(result.delta_e00_after / 2.0, abs(result.level_ev_after) / 0.25))


def _ab(xyz: FloatArray, person: Person) -> list[float]:
    own = xyz_d50_from_lab(person.lab_d50)
    lab = lab_from_xyz_d50(xyz * own[1] / xyz[1]) if xyz[1] > 0 else np.full(3, np.nan)
    return [round(float(v), 2) if np.isfinite(v) else 0.0 for v in lab[1:]]


def _pair(before: float | None, after: float | None) -> list[float] | None:
    return None if before is None or after is None else [round(before, 3), round(after, 3)]


def _box(face: Face) -> list[float]:
    return [round(v, 4) for v in (face.box.left, face.box.top, face.box.width, face.box.height)]


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
                "numbers": f"{d.d_exposure_ev:+.2f} EV, {d.d_mired:+.0f} mired, tint {d.d_tint:+.0f}",
            }
            for d in finding.local
        ],
    }


def _numbers(numbers: Numbers) -> dict[str, float | None]:
    return {"kelvin": numbers.temperature_k, "tint": numbers.tint, "ev": numbers.exposure_ev}


def _person(person: Person, tolerance_de00: float) -> dict[str, Any]:
    return {
        "name": words.shown(person.name),
        "colour": css_colour(xyz_d50_from_lab(person.lab_d50)),
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


def _lights(correction: Correction, rows: Mapping[str, Row]) -> list[dict[str, Any]]:
    frames = {frame.frame_id: frame for frame in correction.proposal.request.frames}
    found = []
    for group in correction.proposal.solution.groups:
        own = [frames[frame_id] for frame_id in group.frame_ids]
        at = [settings_now(f, rows[f.frame_id]) for f in own if rows[f.frame_id].result.basis is not Basis.LEFT_ALONE]
        times = [f.capture.time_s for f in own if f.capture.time_s is not None]
        found.append(
            {
                "light": group.index,
                "name": words.light_name(group, own, at),
                "strength": group.strength,
                "start_s": min(times, default=0.0),
            }
        )
    return sorted(found, key=lambda light: (light["start_s"], light["light"]))


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
    notes += [f"{f.frame_id}: left out, {f.reason}" for f in correction.left_out]
    notes += [*correction.ready.stand.notes(), *correction.proposal.solution.notes]
    return [words.shown(note) for note in notes]
