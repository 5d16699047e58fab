"""The question of a simulated shoot as the solver's records: what a run on real files would hand over."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchmarks.skin.spectra import Array
from benchmarks.solve.people import FACE_DISTANCE
from benchmarks.solve.shoot import Shoot
from xmpsync.measurement import Face, Scene
from xmpsync.records import Box, Capture, Develop, Mat3, Vec3
from xmpsync.skin.records import FaceSkin, Region, RegionSkin, SideDifference, Unusable
from xmpsync.solve.problem import Frame, Reference, Request

REGIONS = (Region.LEFT_CHEEK, Region.RIGHT_CHEEK, Region.FOREHEAD, Region.NOSE, Region.CHIN)
SIDE_SPREAD = 0.03
"""ln units: what measuring expects of two halves of one face."""
SMALL_CELLS = 300
"""Cells below which a face's vector is the more uncertain."""


def request_of(shoot: Shoot, seed: int) -> Request:
    """All that the tool has without being told: measurements, camera settings, the names or vectors of this world."""
    rng = np.random.default_rng((seed, 12))
    faces: list[list[Face]] = [[] for _ in range(shoot.n_frames)]
    names = _names(shoot, rng)
    vectors, sds = _identity(shoot, rng)
    for i, f in enumerate(shoot.faces.frame):
        number = int(shoot.day.place_number[shoot.faces.place[i]])
        faces[f].append(_face(shoot, i, number, names[i], vectors[i], sds[i], rng))
    scenes = _scenes(shoot, rng)
    frames = tuple(_frame(shoot, f, tuple(faces[f]), scenes[f]) for f in range(shoot.n_frames))
    return Request(
        frames=frames, references=tuple(Reference(frame_id=frame_id(int(f))) for f in shoot.truth.reference_frames)
    )


def told(shoot: Shoot, request: Request) -> tuple[Request, dict[str, int]]:
    """The same with everybody named by hand, and the light of every frame."""
    at = iter(shoot.faces.person)
    frames = tuple(
        replace(f, faces=tuple(replace(x, name=person_name(shoot, int(next(at))), named_by_hand=True) for x in f.faces))
        for f in request.frames
    )
    lights = {frame_id(i): int(light) for i, light in enumerate(shoot.day.told_light)}
    return replace(request, frames=frames), lights


def frame_id(frame: int) -> str:
    return f"{frame:05d}"


def person_name(shoot: Shoot, person: int) -> str:
    return f"P{person}" if person < shoot.people.n else f"G{person - shoot.people.n}"


def _names(shoot: Shoot, rng: np.random.Generator) -> list[str | None]:
    """Names of regions: guests have none, some are wrong, and those of a reference frame are looked after."""
    if "names" not in shoot.world.who:
        return [None] * len(shoot.faces.person)
    wrong = rng.random(len(shoot.faces.person)) < shoot.world.wrong_names
    wrong &= ~np.isin(shoot.faces.frame, shoot.truth.reference_frames)
    other = rng.integers(shoot.people.n, size=len(shoot.faces.person))
    return [
        person_name(shoot, int(o if w else p)) if w or p < shoot.people.n else None
        for p, o, w in zip(shoot.faces.person, other, wrong, strict=True)
    ]


def _identity(shoot: Shoot, rng: np.random.Generator) -> tuple[list[tuple[float, ...] | None], list[float | None]]:
    n = len(shoot.faces.person)
    if "identity" not in shoot.world.who:
        return [None] * n, [None] * n
    # Small faces lie further from their mean; that is told.
    sd = FACE_DISTANCE * np.maximum(1.0, (SMALL_CELLS / shoot.faces.cells) ** 0.25)
    vectors = shoot.people.identity(shoot.faces.person, sd, rng)
    return [tuple(v) for v in vectors.tolist()], [float(s) for s in sd]


def _face(
    shoot: Shoot, i: int, number: int, name: str | None, vector: tuple[float, ...] | None, sd: float | None,
    rng: np.random.Generator,
) -> Face:  # fmt: skip
    box = Box(0.05 + 0.3 * number + float(rng.normal(0, 0.01)), 0.3, 0.2, 0.3)
    plain = Face(f"f{number}", box, name=name, identity=vector, identity_sd=sd)
    if shoot.faces.clipped[i]:
        return replace(plain, unusable=Unusable.CLIPPED)
    noise = shoot.faces.sd[i]
    parts = tuple(
        RegionSkin(region, _vec(shoot.faces.regions[i, r]), _diagonal(2.0 * noise), int(shoot.faces.cells[i]) // 4)
        for r, region in enumerate(REGIONS)
        if shoot.faces.shown[i, r]
    )
    chroma = shoot.faces.sides[i, [0, 2]] - shoot.faces.sides[i, 1]
    variance = SIDE_SPREAD**2 + 4.0 * noise[[0, 2]] ** 2
    sides = SideDifference(
        log_ratio=_vec(shoot.faces.sides[i]),
        level_ev=float(shoot.faces.sides[i, 1] / np.log(2)),
        chroma_sd=float(np.sqrt((chroma**2 / variance).sum())),
        log_covariance=_diagonal(np.sqrt(4.0 * noise**2 + SIDE_SPREAD**2 * np.array([1.0, 0.0, 1.0]))),
    )
    told_sd = np.sqrt(noise**2 + 0.006**2)
    skin = FaceSkin(_vec(shoot.faces.seen[i]), _diagonal(told_sd), int(shoot.faces.cells[i]), parts, sides=sides)
    return replace(plain, skin=skin)


def _frame(shoot: Shoot, f: int, faces: tuple[Face, ...], scene: Scene) -> Frame:
    day = shoot.day
    body = int(day.frame_body[f])
    composition = day.frame_composition[f]
    capture = Capture(
        make="Bench",
        model="Body",
        serial=f"B{body}",
        time_s=float(day.frame_s[f] - (shoot.world.clock_s if body else 0.0)),
        exposure_s=float(shoot.light.exposure_s[f]),
        f_number=float(day.f_number[composition]),
        iso=float(shoot.light.iso[f]),
        flash_fired=bool(day.visit_flash[day.composition_visit[composition]]),
        width=6000,
        height=4000,
    )
    return Frame(
        frame_id=frame_id(f),
        profile=shoot.bodies[body].profile,
        capture=capture,
        as_shot=Develop(float(shoot.light.as_shot[f, 0]), float(shoot.light.as_shot[f, 1]), 0.0),
        baseline=Develop(*(float(v) for v in shoot.truth.baseline[f])),
        faces=faces,
        scene=scene,
    )


def _scenes(shoot: Shoot, rng: np.random.Generator) -> list[Scene]:
    """What surrounds the people: any colours around grey, the same throughout a burst."""
    n = len(shoot.day.composition_visit)
    colour = np.log(0.18 * rng.dirichlet(np.full(3, 60.0), n) * 3.0) + rng.normal(0, 0.3, (n, 1))
    log = np.log(shoot.light.white) + colour[shoot.day.frame_composition] + rng.normal(0, 0.002, (shoot.n_frames, 3))
    green = np.exp(log[:, 1])
    shares = np.array([0.1, 0.2, 0.6, 1.0, 1.7, 3.0, 4.0, 5.0])
    return [
        Scene(
            green_percentiles=tuple((g * shares).tolist()),
            log_mean_camera=_vec(mean),
            channel_max_percentiles=tuple(np.minimum(1.0, g * shares[-3:]).tolist()),
        )
        for g, mean in zip(green, log, strict=True)
    ]


def _vec(values: Array) -> Vec3:
    return float(values[0]), float(values[1]), float(values[2])


def _diagonal(sd: Array) -> Mat3:
    return (float(sd[0]) ** 2, 0.0, 0.0), (0.0, float(sd[1]) ** 2, 0.0), (0.0, 0.0, float(sd[2]) ** 2)
