"""The solved arrays turned into records: figures, findings, persons and groups."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from math import isfinite

import numpy as np

from xmpsync.colour.adaptation import XYZ_D50
from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.cielab import lab_from_xyz_d50
from xmpsync.records import Develop, rounded
from xmpsync.solve import closed_form, evidence, findings, labels, mixed
from xmpsync.solve.answers import Answers
from xmpsync.solve.coordinate import xyz_from_z
from xmpsync.solve.field_limits import Limited
from xmpsync.solve.figures import differences, skin_de00
from xmpsync.solve.fit import Fit
from xmpsync.solve.given import Lights
from xmpsync.solve.problem import Frame, Request
from xmpsync.solve.reference import PersonTarget
from xmpsync.solve.roster import Roster, alike_persons
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
from xmpsync.solve.ties import adrift, linked_persons

ONE_OF_THESE = 0.9
"""Probability by names and identity alone from which a face that is not known is one of the shoot's persons at all: a
stranger's own colour is no second lamp."""
PERHAPS = 0.05
"""Probability by names and identity alone from which a face may be a person's for the question of mixed light."""


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """Everything the stages found. `told` (N, P + 1): `evidence.told`; `beyond`: (frame, face) pairs that no white
    balance brings near skin."""

    table: Table
    targets: tuple[PersonTarget, ...]
    people: FloatArray
    roster: Roster
    told: FloatArray
    lights: Lights
    fit: Fit
    probability: FloatArray
    found: Answers
    beyond: frozenset[tuple[str, str]]


@dataclass(frozen=True, slots=True, eq=False)
class _FaceTable:
    """Per face: its most probable person (-1 without one), probability, whether it is known, what it wants (N, 3),
    figures before and after."""

    person: IntArray
    probability: FloatArray
    known: BoolArray
    wanted: FloatArray
    de00_before: FloatArray
    level_before: FloatArray
    de00_after: FloatArray
    level_after: FloatArray


def solution(
    request: Request, solved: Solved, written: Limited, strength: FloatArray, notes: tuple[str, ...], s: SolveSettings
) -> Solution:
    """The records of a solve, frames in the order of the request."""
    return _assembled(request, solved, written, strength, notes, s, correcting=True)


def checked(request: Request, solved: Solved, s: SolveSettings) -> Solution:
    """The records of a check: everything at the baselines."""
    none = np.zeros(solved.table.n_frames, dtype=bool)
    at_baseline = Limited(solved.table.baseline, none, none, none, np.zeros_like(solved.table.baseline))
    return _assembled(request, solved, at_baseline, np.ones(solved.lights.n), (), s, correcting=False)


def _faces(solved: Solved, theta: FloatArray, s: SolveSettings) -> _FaceTable:
    table, r, persons_z = solved.table, solved.probability, solved.fit.persons_z
    n = table.n_faces
    person, probability = np.full(n, -1, dtype=np.intp), np.zeros(n)
    if n and r.shape[1] > 1:
        person = r[:, :-1].argmax(axis=1)
        probability = r[np.arange(n), person]
    known = labels.surely(probability, solved.roster.by_hand >= 0, s)
    likely = probability >= 0.5
    wanted = np.full((n, 3), np.nan)
    if likely.any():
        target = persons_z[np.maximum(person, 0)]
        wanted = np.where(likely[:, None], closed_form.wanted(table, target), np.nan)
    told = np.where(known, person, -1)
    before = differences(table, table.baseline, persons_z, told)
    after = differences(table, theta, persons_z, told)
    return _FaceTable(person, probability, known, wanted, *before, *after)


def _assembled(
    request: Request, solved: Solved, written: Limited, strength: FloatArray, notes: tuple[str, ...], s: SolveSettings,
    *, correcting: bool,
) -> Solution:  # fmt: skip
    faces = _faces(solved, written.theta, s)
    place, referenced = solved.lights.place[solved.lights.of_frame], solved.roster.referenced
    alone, nobody = adrift(solved.table, place, referenced, solved.probability, solved.fit.persons_z)
    if alone.any():  # their figures are those of where they stay
        stays = written.theta.copy()
        for i in np.flatnonzero(alone):
            nudged = _settings(solved.table.baseline[i] + written.nudge[i])
            stays[i] = (1e6 / nudged.temperature_k, nudged.tint, nudged.exposure_ev)
            if not written.nudge[i].any():
                stays[i] = solved.table.baseline[i]
        written = replace(written, theta=stays)
        faces = _faces(solved, written.theta, s)
    linked = linked_persons(solved.table, place, referenced, faces.person, faces.known)
    results = _results(request, solved, faces, linked, (alone, nobody), written, s, correcting)
    return Solution(
        tuple(results[f.frame_id] for f in request.frames),
        _persons(solved, faces, linked),
        _groups(solved, strength),
        (*notes, *_spreads(request, solved)),
        solved.fit.ending,
        solved.fit.passes,
    )


def _results(
    request: Request, solved: Solved, faces: _FaceTable, linked: BoolArray, left: tuple[BoolArray, BoolArray],
    written: Limited, s: SolveSettings, correcting: bool,
) -> dict[str, FrameResult]:  # fmt: skip
    (alone, nobody), table, found = left, solved.table, solved.found
    rows_of: dict[int, list[int]] = defaultdict(list)
    for row, frame in enumerate(table.face_frame.tolist()):
        rows_of[frame].append(row)
    sd = np.sqrt(np.maximum(np.einsum("fii->fi", found.covariance), 0.0))
    # The exposure of a large change is that of the group: what the skin asks for is as far off as it is not followed.
    sd[:, 2] = np.where(written.large, np.hypot(sd[:, 2], written.theta[:, 2] - found.theta[:, 2]), sd[:, 2])
    sds, groups, is_known = sd.tolist(), solved.lights.of_frame.tolist(), faces.known.tolist()
    as_written = rounded(np.column_stack([1e6 / written.theta[:, 0], written.theta[:, 1:]])).tolist()
    beyond = {frame for frame, _ in solved.beyond}
    at = table.faces_at(found.theta)
    tolerance = mixed.Tolerance(request.tolerance_de00, request.tolerance_ev)
    perhaps = _perhaps(solved, faces)
    apart = mixed.faces_apart(table, at.z, solved.fit, perhaps, tolerance)
    likely = np.where(perhaps.sum(axis=1) == 1, perhaps.argmax(axis=1), -1) if perhaps.size else faces.person
    sides = mixed.sides_apart(table, at, likely, tolerance)
    chroma_sd = _chroma_sd(table, at.by_theta, found.covariance)
    results = {}
    for i, frame in enumerate(table.frames):
        rows = rows_of.get(i, [])
        known = [r for r in rows if is_known[r]]
        lost = frame.frame_id in beyond
        basis = _basis(frame, table, i, found, (lost and not rows) or bool(alone[i]))
        told_alone = basis is Basis.LEFT_ALONE
        stays = basis in (Basis.REFERENCE, Basis.HELD, Basis.LEFT_ALONE)
        theta = table.baseline[i] if stays else written.theta[i]
        correction = None if stays else Develop(*as_written[i])
        if told_alone and written.nudge[i].any() and (frame.as_shot_known or frame.baseline_known):
            basis, stays, theta = Basis.BY_HAND, False, table.baseline[i] + written.nudge[i]
            correction = _settings(theta)
        is_mixed = bool(apart[i]) or any(sides[r] for r in rows)
        local: tuple[LocalDifference, ...] = ()
        if is_mixed or written.large[i] or written.clamped[i]:
            local = findings.local_differences(
                [table.faces[r].face_id for r in rows],
                [solved.roster.names[faces.person[r]] if is_known[r] else None for r in rows],
                faces.wanted[rows], theta,
            )  # fmt: skip
        told: list[Finding] = []
        if told_alone:
            told = [
                findings.left_alone(lost and not rows, bool(alone[i]), bool(nobody[i]), nudged=basis is Basis.BY_HAND)
            ]
        elif not rows:
            told = findings.no_answer(frame)
        else:
            told = findings.with_answer(
                frame,
                (chroma_sd[known[0]], sds[i][2]) if known else (0.0, 0.0),
                bool(apart[i]),
                any(sides[r] for r in rows),
                local,
                s,
            )
        if rows and len(known) < len(rows) and not (told_alone and nobody[i]):
            told.append(findings.unknown(len(rows) - len(known)))
        if known and not told_alone and not any(linked[faces.person[r]] for r in known):
            told.append(findings.unlinked_to("the frame follows its light"))
        if correcting and not stays and not told_alone:
            told += _about_the_change(table, i, written, theta, local, s)
        results[frame.frame_id] = FrameResult(
            frame_id=frame.frame_id,
            basis=basis,
            group=groups[i],
            correction=correction if correcting else None,
            sd_mired=sds[i][0],
            sd_tint=sds[i][1],
            sd_ev=sds[i][2],
            faces=_face_results(frame, solved, rows, faces, linked, basis, is_mixed),
            findings=tuple(told),
        )
    return results


def _chroma_sd(table: Table, by_theta: FloatArray, covariance: FloatArray) -> list[float]:
    """Standard deviation (N,) of each face's chroma, z, that its frame's covariance (F, 3, 3) leaves."""
    j = by_theta[:, :2]
    z = j @ covariance[table.face_frame] @ np.swapaxes(j, 1, 2)
    out: list[float] = np.sqrt(0.5 * np.einsum("nii->n", z)).tolist()
    return out


def _perhaps(solved: Solved, faces: _FaceTable) -> BoolArray:
    """Whose face (N, P) it may be for the question of mixed light, none where it is most likely somebody else's.

    Another lamp on a face makes its colour speak against its own person: where it is not known, names and identity
    alone count.
    """
    n, p = solved.table.n_faces, solved.roster.n
    perhaps = np.zeros((n, p), dtype=bool)
    if not n or not p:
        return perhaps
    told = evidence.softmax(solved.told)[:, :-1]
    perhaps = np.asarray((told >= PERHAPS) & (told.sum(axis=1) >= ONE_OF_THESE)[:, None], dtype=bool)
    known = np.flatnonzero(faces.known)
    perhaps[known] = False
    perhaps[known, faces.person[known]] = True
    return perhaps


def _basis(frame: Frame, table: Table, i: int, found: Answers, lost: bool) -> Basis:
    if frame.held:
        return Basis.HELD
    if table.fixed[i]:
        return Basis.REFERENCE
    if lost or not found.told[i]:
        return Basis.LEFT_ALONE
    return Basis.FACES if found.own[i] else Basis.GROUP


def _about_the_change(
    table: Table,
    i: int,
    written: Limited,
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
    return float(np.nanmax(skin_de00(xyz, xyz[:, 1:2] * XYZ_D50)))


def _face_results(
    frame: Frame, solved: Solved, rows: list[int], faces: _FaceTable, linked: BoolArray, basis: Basis, is_mixed: bool
) -> tuple[FaceResult, ...]:
    row_of = {solved.table.faces[r].face_id: r for r in rows}
    names = solved.roster.names
    out = []
    for face in frame.faces:
        row = row_of.get(face.face_id)
        if row is None or not faces.known[row]:
            why = Unjudged.UNKNOWN_PERSON
            if row is None:
                why = Unjudged.LEFT_ALONE if face.skin is not None else Unjudged.CLIPPED_SKIN
            perhaps = names[faces.person[row]] if row is not None and faces.person[row] >= 0 else None
            probability = float(faces.probability[row]) if row is not None else 0.0
            out.append(FaceResult(face.face_id, None, probability, None, None, None, None, why, perhaps))
            continue
        why_not = None
        if is_mixed:
            why_not = Unjudged.MIXED_LIGHT
        elif basis is Basis.HELD:
            why_not = Unjudged.HELD
        elif not linked[faces.person[row]]:
            why_not = Unjudged.NO_REFERENCE
        elif basis is Basis.LEFT_ALONE:
            why_not = Unjudged.LEFT_ALONE
        out.append(
            FaceResult(
                face_id=face.face_id,
                person=names[faces.person[row]],
                probability=float(faces.probability[row]),
                delta_e00_before=_number(faces.de00_before[row]),
                delta_e00_after=_number(faces.de00_after[row]),
                level_ev_before=_number(faces.level_before[row]),
                level_ev_after=_number(faces.level_after[row]),
                unjudged=why_not,
            )
        )
    return tuple(out)


def _number(value: float) -> float | None:
    return float(value) if isfinite(value) else None


def _persons(solved: Solved, faces: _FaceTable, linked: BoolArray) -> tuple[Person, ...]:
    names, persons_z = solved.roster.names, solved.fit.persons_z
    spread = {t.person: t.spread_de00 for t in solved.targets}
    counts = np.bincount(faces.person[faces.known], minlength=len(names))
    lab = lab_from_xyz_d50(xyz_from_z(persons_z)).reshape(-1, 3)
    alike = alike_persons(solved.roster, solved.fit.r)
    return tuple(
        Person(
            name=name,
            lab_d50=(float(lab[p, 0]), float(lab[p, 1]), float(lab[p, 2])),
            n_faces=int(counts[p]),
            referenced=bool(solved.roster.referenced[p]),
            reference_spread_de00=spread.get(name, 0.0),
            alike_to=tuple(names[q] for q in np.flatnonzero(alike[p])),
            linked=bool(linked[p]),
        )
        for p, name in enumerate(names)
        if counts[p] or solved.roster.referenced[p] or (faces.person == p).any()
    )


def _groups(solved: Solved, strength: FloatArray) -> tuple[Group, ...]:
    table = solved.table
    out = []
    for g, rows in enumerate(members(solved.lights.of_frame, solved.lights.n)):
        rows = rows[np.argsort(table.time_s[rows], kind="stable")]
        coupled = bool(solved.fit.question.coupled[rows].all())
        out.append(
            Group(
                index=g,
                frame_ids=tuple(table.frames[r].frame_id for r in rows),
                strength=float(strength[g]),
                exposure_coupling_sd_ev=float(solved.fit.levels.light_sd[g]) if coupled else None,
            )
        )
    return tuple(out)


def _spreads(request: Request, solved: Solved) -> tuple[str, ...]:
    return tuple(
        f"The references of {t.person} differ by up to {t.spread_de00:.1f} dE00."
        for t in solved.targets
        if t.spread_de00 > request.tolerance_de00
    )


def _settings(theta: FloatArray) -> Develop:
    """The settings at mired, tint and EV (3,)."""
    return Develop(1e6 / float(theta[0]), float(theta[1]), float(theta[2])).rounded()
