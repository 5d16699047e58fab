"""The solved arrays turned into records: figures, findings, persons and groups."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from math import isfinite

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.difference import lab_from_xyz_d50
from xmpsync.solve import findings, starting
from xmpsync.solve.coordinate import xyz_from_z
from xmpsync.solve.figures import differences, skin_de00
from xmpsync.solve.joint import Answer
from xmpsync.solve.limits import Limited, rounded
from xmpsync.solve.persons import Population
from xmpsync.solve.problem import Frame, Request
from xmpsync.solve.reference import Target
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.solution import (
    Basis,
    Code,
    FaceResult,
    Finding,
    FrameResult,
    Group,
    LocalDifference,
    Person,
    Solution,
    Unjudged,
)
from xmpsync.solve.tables import BoolArray, IntArray, Table, members

KNOWN = 0.5
"""Probability from which a face counts as a person."""
MOST_FACES_APART = 12
"""Faces of a frame, next to one another in the table, that are compared with one another."""


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """Everything the stages found. `beyond`: (frame, face) pairs that no white balance brings near skin."""

    table: Table
    targets: tuple[Target, ...]
    people: Population
    group: IntArray
    answer: Answer
    beyond: frozenset[tuple[str, str]]


@dataclass(frozen=True, slots=True, eq=False)
class _FaceTable:
    """Per face: its person (-1 nobody), probability, what it wants (N, 3), figures before and after."""

    person: IntArray
    probability: FloatArray
    wanted: FloatArray
    de00_before: FloatArray
    level_before: FloatArray
    de00_after: FloatArray
    level_after: FloatArray


def solution(
    request: Request,
    solved: Solved,
    written: Limited,
    strength: FloatArray,
    whites: FloatArray,
    notes: tuple[str, ...],
    s: SolveSettings,
) -> Solution:
    """The records of a solve, frames in the order of the request."""
    faces = _faces(solved, solved.answer.persons_z, written.theta)
    results = _results(request, solved, faces, written, strength, whites, s)
    return _assembled(request, solved, results, strength, solved.answer.persons_z, faces, notes)


def checked(request: Request, solved: Solved, s: SolveSettings) -> Solution:
    """The records of a check: everything at the baselines."""
    table = solved.table
    persons_z = solved.answer.persons_z
    if not solved.targets:
        persons_z = _middles(solved)
    strength = np.ones(int(solved.group.max(initial=-1)) + 1)
    none = np.zeros(table.n_frames, dtype=bool)
    at_baseline = Limited(table.baseline, none, none, none)
    faces = _faces(solved, persons_z, table.baseline)
    whites = np.full((table.n_frames, 2), np.nan)
    results = _results(request, solved, faces, at_baseline, strength, whites, s, correcting=False)
    return _assembled(request, solved, results, strength, persons_z, faces, ())


def _middles(solved: Solved) -> FloatArray:
    """Each person's median colour at the baselines, where a person has faces."""
    z = solved.table.faces_at(solved.table.baseline).z
    person, _ = _most_probable(solved.answer.r)
    out = solved.answer.persons_z.copy()
    for p in range(len(out)):
        if (person == p).any():
            out[p] = np.median(z[person == p], axis=0)
    return out


def _most_probable(r: FloatArray) -> tuple[IntArray, FloatArray]:
    if r.shape[1] < 2 or not len(r):
        return np.full(len(r), -1, dtype=np.intp), np.zeros(len(r))
    best = r[:, :-1].argmax(axis=1)
    probability = r[np.arange(len(r)), best]
    return np.where(probability >= KNOWN, best, -1).astype(np.intp), probability


def _faces(solved: Solved, persons_z: FloatArray, theta: FloatArray) -> _FaceTable:
    table = solved.table
    person, probability = _most_probable(solved.answer.r)
    wanted = np.full((table.n_faces, 3), np.nan)
    known = person >= 0
    if known.any():
        target = np.where(known[:, None], persons_z[np.maximum(person, 0)], solved.people.mean)
        wanted = np.where(known[:, None], starting.wanted(table, target), np.nan)
    before = differences(table, table.baseline, persons_z, person)
    after = differences(table, theta, persons_z, person)
    return _FaceTable(person, probability, wanted, *before, *after)


def _results(
    request: Request,
    solved: Solved,
    faces: _FaceTable,
    written: Limited,
    strength: FloatArray,
    whites: FloatArray,
    s: SolveSettings,
    correcting: bool = True,
) -> dict[str, FrameResult]:
    table, answer = solved.table, solved.answer
    rows_of: dict[int, list[int]] = defaultdict(list)
    for row, frame in enumerate(table.face_frame):
        rows_of[int(frame)].append(row)
    sd = np.sqrt(np.maximum(np.einsum("fii->fi", answer.covariance), 0.0))
    at = table.faces_at(answer.theta)
    linked = linked_persons(solved, faces.person)
    informed = np.zeros(len(strength), dtype=bool)
    informed[solved.group[table.face_frame]] = True
    informed[solved.group[table.fixed]] = True
    apart = _apart(table, at.z, answer, faces.person)
    results = {}
    for i, frame in enumerate(table.frames):
        rows = rows_of.get(i, [])
        lost = any((frame.frame_id, face.face_id) in solved.beyond for face in frame.faces)
        known = [r for r in rows if faces.person[r] >= 0]
        basis = _basis(frame, table, i, known, rows, lost, bool(informed[solved.group[i]]))
        theta, found = written.theta[i], []
        if basis is Basis.AS_SHOT and correcting:
            theta = table.as_shot[i] * np.array([1.0, 1.0, 0.0])
        local = findings.local_differences(
            [table.faces[r].face_id for r in rows],
            [answer.roster.names[faces.person[r]] if faces.person[r] >= 0 else None for r in rows],
            faces.wanted[rows], theta,
        )  # fmt: skip
        chroma_sd = 0.0
        if known:
            j = at.by_theta[known[0]]
            covariance = j @ answer.covariance[i] @ j.T
            chroma_sd = float(np.sqrt(0.5 * (covariance[0, 0] + covariance[1, 1])))
        mixed = False
        if basis is Basis.LEFT_ALONE:
            found = [Finding(
                Code.BEYOND_WHITE_BALANCE,
                "The light is so coloured that no white balance brings the skin back: the frame is left as it is.",
            )]  # fmt: skip
        elif not rows:
            found = findings.no_answer(frame, basis is Basis.AS_SHOT)
        else:
            sides = any(_sides_mixed(table, r) for r in rows)
            found = findings.with_answer(frame, np.array([chroma_sd, sd[i, 2]]), float(apart[i]), sides, local, s)
            mixed = any(f.code is Code.MIXED_LIGHT for f in found)
            if not any(faces.person[r] >= 0 and linked[faces.person[r]] for r in rows):
                found.append(Finding(
                    Code.UNLINKED_PERSON,
                    "Nobody here is linked to a reference: the frame follows its light group, a reference would help.",
                ))  # fmt: skip
        if correcting and basis not in (Basis.REFERENCE, Basis.HELD, Basis.LEFT_ALONE):
            found += _about_the_change(table, i, written, whites, theta, local, s)
        results[frame.frame_id] = FrameResult(
            frame_id=frame.frame_id,
            basis=basis,
            group=int(solved.group[i]),
            correction=rounded(theta)
            if correcting and basis not in (Basis.REFERENCE, Basis.HELD, Basis.LEFT_ALONE)
            else None,
            sd_mired=float(sd[i, 0]) if not table.fixed[i] else 0.0,
            sd_tint=float(sd[i, 1]) if not table.fixed[i] else 0.0,
            sd_ev=float(sd[i, 2]) if not table.fixed[i] else 0.0,
            faces=_face_results(frame, table, rows, faces, answer, basis, mixed),
            findings=tuple(found),
        )
    return results


def _basis(frame: Frame, table: Table, i: int, known: list[int], rows: list[int], lost: bool, informed: bool) -> Basis:
    if frame.held:
        return Basis.HELD
    if table.fixed[i]:
        return Basis.REFERENCE
    if known:
        return Basis.FACES
    if lost and not rows:
        return Basis.LEFT_ALONE
    return Basis.GROUP if informed else Basis.AS_SHOT


def linked_persons(solved: Solved, person: IntArray) -> BoolArray:
    """Persons (P,) whom some chain of light groups ties to a reference or a fixed frame.

    A light group ties together everybody seen in it; a group with a fixed frame is tied by itself.
    """
    table, n_groups = solved.table, int(solved.group.max(initial=-1)) + 1
    shown = np.zeros((n_groups, solved.answer.roster.n), dtype=bool)
    known = person >= 0
    shown[solved.group[table.face_frame[known]], person[known]] = True
    linked = solved.answer.roster.referenced.copy()
    tied = np.zeros(n_groups, dtype=bool)
    tied[solved.group[table.fixed]] = True
    while True:
        tied |= (shown & linked).any(axis=1)
        more = linked | (shown & tied[:, None]).any(axis=0)
        if (more == linked).all():
            return linked
        linked = more


def _sides_mixed(table: Table, row: int) -> bool:
    skin = table.faces[row].skin
    return skin is not None and skin.sides is not None and skin.sides.mixed_light


def _apart(table: Table, z: FloatArray, answer: Answer, person: IntArray) -> FloatArray:
    """(F,): largest difference between what two known faces of a frame still need, in CIEDE2000 of skin; else 0."""
    out = np.zeros(table.n_frames)
    known = np.flatnonzero(person >= 0)
    frame = table.face_frame[known]
    for step in range(1, MOST_FACES_APART):
        a, b = known[:-step], known[step:]
        same = frame[:-step] == frame[step:]
        a, b = a[same], b[same]
        if not len(a):
            break
        target_a, target_b = answer.persons_z[person[a]], answer.persons_z[person[b]]
        shift = (z[a] - target_a) - (z[b] - target_b)
        shift[:, 2] = 0.0
        for target in (target_a, target_b):
            np.maximum.at(out, table.face_frame[a], skin_de00(xyz_from_z(target + shift), xyz_from_z(target)))
    return out


def _about_the_change(
    table: Table,
    i: int,
    written: Limited,
    whites: FloatArray,
    theta: FloatArray,
    local: tuple[LocalDifference, ...],
    s: SolveSettings,
) -> list[Finding]:
    found = []
    if written.large[i]:
        found.append(Finding(
            Code.LARGE_CHANGE,
            "The skin asks for a very large change of exposure, which may be dark on purpose: the exposure of its "
            "light group is used, the white balance is its own.", local,
        ))  # fmt: skip
    if written.clamped[i]:
        found.append(
            Finding(Code.CLAMPED, "The correction leaves the range of the fields and stops at its end.", local)
        )
    if written.highlights[i]:
        found.append(Finding(Code.HIGHLIGHTS, "The new exposure clips parts of the picture: check the highlights."))
    cast = neutral_cast(table, i, theta)
    if cast is not None and cast > s.neutral_cast_z:
        found.append(Finding(
            Code.NEUTRAL_CAST,
            f"The marked neutral is left {cast:.1f} dE00 off white; a neutral weight trades it against the skin.",
        ))  # fmt: skip
    return found


def neutral_cast(table: Table, i: int, theta: FloatArray) -> float | None:
    """Largest CIEDE2000 of a frame's marked neutrals from neutral at equal luminance, None without one."""
    neutrals = table.frames[i].neutrals
    if not neutrals:
        return None
    xyz = table.xyz(i, theta, np.array([n.camera for n in neutrals]))
    from xmpsync.colour.adaptation import XYZ_D50

    return float(np.nanmax(skin_de00(xyz, xyz[:, 1:2] * XYZ_D50)))


def _face_results(
    frame: Frame, table: Table, rows: list[int], faces: _FaceTable, answer: Answer, basis: Basis, mixed: bool
) -> tuple[FaceResult, ...]:
    row_of = {table.faces[r].face_id: r for r in rows}
    out = []
    for face in frame.faces:
        row = row_of.get(face.face_id)
        if row is None or faces.person[row] < 0:
            probability = 0.0 if row is None else float(faces.probability[row])
            out.append(
                FaceResult(face.face_id, face.name, probability, None, None, None, None, Unjudged.UNKNOWN_PERSON)
            )
            continue
        out.append(
            FaceResult(
                face_id=face.face_id,
                person=answer.roster.names[faces.person[row]],
                probability=float(faces.probability[row]),
                delta_e00_before=_number(faces.de00_before[row]),
                delta_e00_after=_number(faces.de00_after[row]),
                level_ev_before=_number(faces.level_before[row]),
                level_ev_after=_number(faces.level_after[row]),
                unjudged=Unjudged.MIXED_LIGHT if mixed else Unjudged.HELD if basis is Basis.HELD else None,
            )
        )
    return tuple(out)


def _number(value: float) -> float | None:
    return float(value) if isfinite(value) else None


def _assembled(
    request: Request,
    solved: Solved,
    results: dict[str, FrameResult],
    strength: FloatArray,
    persons_z: FloatArray,
    faces: _FaceTable,
    notes: tuple[str, ...],
) -> Solution:
    table, answer = solved.table, solved.answer
    spread = {t.person: t.spread_de00 for t in solved.targets}
    counts = np.bincount(faces.person[faces.person >= 0], minlength=len(persons_z))
    lab = lab_from_xyz_d50(xyz_from_z(persons_z)).reshape(-1, 3)
    persons = tuple(
        Person(
            name=name,
            lab_d50=(float(lab[p, 0]), float(lab[p, 1]), float(lab[p, 2])),
            n_faces=int(counts[p]),
            referenced=bool(answer.roster.referenced[p]),
            reference_spread_de00=spread.get(name, 0.0) if answer.roster.referenced[p] else 0.0,
        )
        for p, name in enumerate(answer.roster.names)
        if counts[p] or answer.roster.referenced[p]
    )
    groups = []
    for g, rows in enumerate(members(solved.group, len(strength))):
        rows = rows[np.argsort(table.time_s[rows], kind="stable")]
        coupled = np.isfinite(table.settings_ev[rows]).all() and not table.flash[rows].any()
        groups.append(
            Group(
                index=g,
                frame_ids=tuple(table.frames[r].frame_id for r in rows),
                strength=float(strength[g]),
                exposure_coupling_sd_ev=float(answer.widths.frame[g, 2]) if coupled else None,
            )
        )
    for target in solved.targets:
        if target.spread_de00 > request.tolerance_de00:
            notes = (*notes, f"the references of {target.person} differ by up to {target.spread_de00:.1f} dE00")
    return Solution(tuple(results[f.frame_id] for f in request.frames), persons, tuple(groups), notes)
