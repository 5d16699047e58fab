"""What is true of a shoot: what everybody should look like, and the corrections that bring it about."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmarks.skin.cameras import Camera
from benchmarks.skin.spectra import Array
from benchmarks.solve.day import Day, Ints
from benchmarks.solve.faces import Faces
from benchmarks.solve.lighting import Lighting
from benchmarks.solve.people import People
from xmpsync.colour.camera import apply, xyz_from_camera
from xmpsync.colour.match import settings_for_target


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """`targets` (P, 3): XYZ D50 of everybody's skin in the references' look. `baseline` (F, 3): temperature (K), tint,
    EV, those of the `reference_frames` as somebody set them.

    `ideal` (F, 3): mired, tint and EV that bring the true skin of the persons shown to their targets (their mean), or
    of everybody (the median) where none of them is shown.
    """

    reference_frames: Ints
    baseline: Array
    targets: Array
    ideal: Array


def truth_of(
    day: Day, people: People, bodies: tuple[Camera, ...], light: Lighting, faces: Faces, rng: np.random.Generator
) -> Truth:
    """Targets from the references, then every frame's ideal settings."""
    first = [int(np.flatnonzero(day.frame_composition == c)[0]) for c in day.reference_compositions]
    references = np.array(first, dtype=np.intp)
    baseline = np.column_stack([light.as_shot, np.zeros(len(light.as_shot))])
    visible = people.reflectance[: people.n]
    everybody = np.einsum("pw,fw,fwc->fpc", visible, light.power, light.sensitivity, optimize=True)
    everybody *= light.gain[:, None, None] * np.exp(np.moveaxis(light.person_light[: people.n, day.frame_visit], 0, 1))
    person = faces.person < people.n
    # What a reference shows is its person turned to the light as there.
    unturned = everybody.copy()
    shown = np.flatnonzero(np.isin(faces.frame, references) & person)
    everybody[faces.frame[shown], faces.person[shown]] = faces.skins.clean[shown]
    targets = _targets(day, bodies, everybody, unturned, references, faces, baseline, rng)
    ideal = np.full((len(baseline), 3), np.nan)
    asked = np.full((len(faces.person), 3), np.nan)
    for b, camera in enumerate(bodies):
        frames = np.flatnonzero(day.frame_body == b)
        ideal[frames] = np.nanmedian(_theta(camera, everybody[frames], targets[None]), axis=1)
        rows = np.flatnonzero(person & (day.frame_body[faces.frame] == b))
        asked[rows] = _theta(camera, faces.skins.clean[rows], targets[faces.person[rows]])
    rows = np.flatnonzero(np.isfinite(asked).all(axis=1))
    count = np.bincount(faces.frame[rows], minlength=len(ideal))
    for k in range(3):
        total = np.bincount(faces.frame[rows], asked[rows, k], minlength=len(ideal))
        ideal[:, k] = np.where(count > 0, total / np.maximum(count, 1), ideal[:, k])
    return Truth(references, baseline, targets, ideal)


def _targets(
    day: Day, bodies: tuple[Camera, ...], everybody: Array, unturned: Array, references: Ints, faces: Faces,
    baseline: Array, rng: np.random.Generator,
) -> Array:  # fmt: skip
    """XYZ D50 (P, 3) that everybody's skin should have; sets the baselines of the reference frames.

    The first reference is set by eye, to whatever looks right. Further ones are set to look like it, but for the
    errors of the hand that sets them; whoever has several references should look like their middle.
    """
    baseline[references[0]] += (0.0, 0.0, float(rng.normal(0.2, 0.2)))
    log = np.log(_rendered(bodies, day, everybody, int(references[0]), baseline))
    found = [[log[p]] if p in set(faces.person[faces.frame == references[0]]) else [] for p in range(len(log))]
    for f in references[1:]:
        shown = [int(p) for p in np.unique(faces.person[faces.frame == f])]
        camera = bodies[day.frame_body[f]]
        theta = np.nanmean(_theta(camera, everybody[f, shown], np.exp(log[shown])), axis=0)
        theta += rng.normal(0.0, (2.0, 1.0, 0.03))
        if np.isfinite(theta).all():
            baseline[f] = round(1e6 / theta[0]), round(theta[1]), round(theta[2], 2)
        here = np.log(_rendered(bodies, day, everybody, int(f), baseline))
        for p in shown:
            found[p].append(here[p])
    # Who has no reference should look as in a picture in which those who have one look like theirs.
    plain = np.log(_rendered(bodies, day, unturned, int(references[0]), baseline))
    moved = np.mean([np.mean(f, axis=0) - plain[p] for p, f in enumerate(found) if f], axis=0)
    return np.exp([np.mean(f, axis=0) if f else plain[p] + moved for p, f in enumerate(found)])


def _rendered(bodies: tuple[Camera, ...], day: Day, everybody: Array, frame: int, baseline: Array) -> Array:
    kelvin, tint, ev = baseline[frame]
    matrix = 2.0**ev * xyz_from_camera(bodies[day.frame_body[frame]].profile, kelvin, tint)
    return apply(matrix, everybody[frame])


def _theta(camera: Camera, colours: Array, targets: Array) -> Array:
    """Mired, tint, EV (..., 3) that render camera colours as targets."""
    kelvin, tint, ev = settings_for_target(camera.profile, colours, targets)
    return np.stack([1e6 / kelvin, tint, ev], axis=-1)
