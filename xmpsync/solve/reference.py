"""References: the skin that persons should have, as targets, or a refusal that names the nearest usable frames."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.cielab import xyz_d50_from_lab
from xmpsync.errors import WrongUsage
from xmpsync.measurement import Face
from xmpsync.solve.coordinate import xyz_from_z, z_from_xyz
from xmpsync.solve.figures import skin_de00
from xmpsync.solve.problem import Frame, Reference, Request
from xmpsync.solve.tables import Table

NEAREST = 3


MIDDLE = (6.2, -11.0, -1.9)
"""z of a middle skin (CIELAB L 57): the mean of published class means, very light (75, 8, 15) to dark (35, 13, 17)."""


@dataclass(frozen=True, slots=True, eq=False)
class PersonTarget:
    """A person's reference: `z` (3,), the spread of several in CIEDE2000, the faces (rows) behind it, and colours given
    as numbers."""

    person: str
    named: bool
    z: FloatArray
    spread_de00: float
    faces: tuple[int, ...]
    given: tuple[FloatArray, ...] = ()


def usual_colour(targets: tuple[PersonTarget, ...]) -> FloatArray:
    """z (3,) of people's usual skin under the look of this shoot: the mean of the references, else the middle."""
    return np.mean([t.z for t in targets], axis=0) if targets else np.array(MIDDLE)


@dataclass(frozen=True, slots=True)
class ReferenceChoice:
    """One face that serves as reference. `person` is None where nobody gave a name."""

    frame_id: str
    face: Face
    person: str | None


def choices(request: Request) -> tuple[ReferenceChoice, ...]:
    """The reference faces that the request names; WrongUsage where one is impossible."""
    found = [c for reference in request.references if reference.lab_d50 is None for c in _of(request, reference)]
    return tuple(dict.fromkeys(found))


def targets(request: Request, chosen: tuple[ReferenceChoice, ...], table: Table) -> tuple[PersonTarget, ...]:
    """One target per person with a reference, in order of name; faces without a name get labels of their own."""
    row_of = {(table.frames[f].frame_id, face.face_id): i for i, (f, face) in
              enumerate(zip(table.face_frame, table.faces, strict=True))}  # fmt: skip
    z_baseline = table.faces_at(table.baseline).z
    collected: dict[tuple[str, bool], list[tuple[FloatArray, int | None]]] = {}
    taken = {f.name for frame in table.frames for f in frame.faces if f.name}
    labels = _labels(taken | {r.person for r in request.references if r.person})
    for choice in chosen:
        row = row_of[choice.frame_id, choice.face.face_id]
        key = (choice.person, True) if choice.person else (next(labels), False)
        collected.setdefault(key, []).append((z_baseline[row], row))
    for reference in request.references:
        if reference.lab_d50 is not None:
            xyz = xyz_d50_from_lab(reference.lab_d50)
            if reference.lab_d50[0] <= 0 or xyz.min() <= 0:
                raise WrongUsage(
                    f"The reference lab:{','.join(f'{v:g}' for v in reference.lab_d50)} is not a visible colour.",
                    next_step="Give L between 1 and 100 and a, b of skin, e.g. lab:62,14,18.",
                )
            key = (reference.person, True) if reference.person else (next(labels), False)
            collected.setdefault(key, []).append((z_from_xyz(xyz), None))
    return tuple(
        PersonTarget(
            person=person,
            named=named,
            z=(centre := robust_mean(np.array([z for z, _ in items]))),
            spread_de00=_spread(np.array([z for z, _ in items]), centre),
            faces=tuple(row for _, row in items if row is not None),
            given=tuple(z for z, row in items if row is None),
        )
        for (person, named), items in sorted(collected.items(), key=lambda kv: kv[0])
    )


def _of(request: Request, reference: Reference) -> list[ReferenceChoice]:
    frame = next((f for f in request.frames if f.frame_id == reference.frame_id), None)
    if frame is None:
        raise WrongUsage(
            f"The reference frame {reference.frame_id} is not among the frames of this shoot.",
            next_step="Name a frame by its path in the shoot, its file name or its stem.",
        )
    if not frame.baseline_known:
        _refuse(request, frame, "holds a white balance without numbers (a preset or Auto), so its look is not known")
    faces = list(frame.faces)
    if reference.face_id is not None:
        faces = [f for f in faces if f.face_id == reference.face_id]
    elif reference.person is not None:
        named = [f for f in faces if f.name == reference.person]
        unnamed = [f for f in faces if f.name is None]
        faces = named or (unnamed if len(unnamed) <= 1 else _ambiguous(frame, reference.person, unnamed))
    usable = [f for f in faces if f.skin is not None]
    if not usable:
        _refuse(request, frame, _why_not(frame, faces, reference.person))
    return [ReferenceChoice(frame.frame_id, f, reference.person or f.name) for f in usable]


def _why_not(frame: Frame, faces: list[Face], person: str | None) -> str:
    """Why none of `faces`, those that a reference picks from the frame, will do."""
    if not frame.faces:
        return "shows no face"
    if not faces and person is not None:
        others = ", ".join(sorted({f.name for f in frame.faces if f.name}))
        return f"shows no face named {person} (named there: {others})"
    reasons = sorted({f.unusable.value for f in faces if f.unusable})
    many = f"{len(faces)} faces, none with usable skin" if len(faces) > 1 else "a face without usable skin"
    return f"shows {many}" + (f" ({', '.join(reasons)})" if reasons else "")


def _ambiguous(frame: Frame, person: str, faces: list[Face]) -> list[Face]:
    places = ", ".join(f"@{f.box.centre[0]:.2f},{f.box.centre[1]:.2f}" for f in faces)
    raise WrongUsage(
        f"The frame {frame.frame_id} shows {len(faces)} faces without a name, so which one is {person} is not clear.",
        next_step=f"Pick one by its place: {person}={frame.frame_id}@x,y, the faces are at {places}.",
    )


def _refuse(request: Request, frame: Frame, why: str) -> None:
    usable = [
        f
        for f in request.frames
        if f is not frame and f.baseline_known and any(face.skin is not None for face in f.faces)
    ]
    time = frame.capture.time_s or 0.0
    usable.sort(key=lambda f: (abs((f.capture.time_s or 0.0) - time), f.frame_id))
    names = ", ".join(f.frame_id for f in usable[:NEAREST])
    raise WrongUsage(
        f"The frame {frame.frame_id} cannot be a reference: it {why}.",
        next_step=f"The nearest usable frames are: {names}." if names else "No frame of this shoot has usable skin.",
    )


def _labels(taken: set[str]) -> Iterator[str]:
    number = 0
    while True:
        number += 1
        if (label := f"person {number}") not in taken:
            yield label


def robust_mean(z: FloatArray) -> FloatArray:
    """Mean with Huber-like weights around the median (one wrong reference among several is outvoted)."""
    centre = np.median(z, axis=0)
    for _ in range(20):
        distance = np.linalg.norm((z - centre) * np.array([1.0, 1.0, 4.0]), axis=1)
        weight = 1.0 / np.maximum(distance, 1.0)
        centre = (weight[:, None] * z).sum(axis=0) / weight.sum()
    return np.asarray(centre)


def _spread(z: FloatArray, centre: FloatArray) -> float:
    """Largest CIEDE2000 at equal luminance of the references from their mean."""
    if len(z) < 2:
        return 0.0
    return float(skin_de00(xyz_from_z(z), xyz_from_z(centre)).max())
