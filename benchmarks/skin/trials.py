"""Draws the bench's frames, measures them, and scores them against the truth after a solve."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from benchmarks.skin.cameras import Camera
from benchmarks.skin.lights import Light, lights, mired
from benchmarks.skin.portraits import Portrait
from benchmarks.skin.render import Rendered, Shot, jitter, polygon, render
from benchmarks.skin.spectra import Array, SkinSpectrum
from xmpsync.colour.camera import render as xyz_from_settings
from xmpsync.colour.camera import white_from_neutral
from xmpsync.colour.cielab import skin_difference
from xmpsync.colour.match import settings_for_target
from xmpsync.faces.places import REGIONS
from xmpsync.records import Vec3
from xmpsync.skin.records import Cells, FaceSkin, Place, SideDifference, Unusable
from xmpsync.solve.mixed import CHANCE

Measure = Callable[[Cells, tuple[Place, ...], Vec3], FaceSkin | Unusable]


@dataclass(frozen=True, slots=True, eq=False)
class Located:
    """A face as it was found: its cells, its places (None where it was missed), and false faces beside it."""

    cells: Cells
    places: tuple[Place, ...] | None
    false_faces: int = 0


Locate = Callable[[Rendered, Shot, Camera, Vec3, np.random.Generator], Located]
SIZES_PX = (24.0, 32.0, 48.0, 80.0, 150.0, 300.0, 600.0)
ISOS = (100.0, 400.0, 1600.0, 3200.0, 6400.0)
EXPOSURES_EV = (-3.0, -2.0, -1.0, 0.0, 0.5, 1.0, 1.5)
MIN_MIRED_APART, MIN_SHARE = 60.0, 0.25
TOLERANCE_DE00 = 2.0
CHROMA = np.array([[1.0, -1.0, 0.0], [0.0, -1.0, 1.0]])
"""(ln R/G, ln B/G) of ln camera."""
WORST_SIZES = 240.0
"""Faces wider than so many cells are drawn less often: they take longest and are the easiest."""


@dataclass(frozen=True, slots=True)
class BenchSettings:
    """What one run of the bench draws."""

    frames_per_person: int = 24
    mixed_part: float = 0.2
    cells_per_px: float = 1.46
    """Cells per pixel of the detector's 1024-px picture: 1.46 is a 3000-px frame, 2.9 one of 24 megapixels."""
    jitter: float = 0.012
    """Error of the places, face heights."""
    gloss_max: float = 0.08
    """Most light mirrored by the shiniest spots, in parts of a white's."""


@dataclass(frozen=True, slots=True)
class Row:
    """One scored frame. `delta_e00`, `level_ev`: truth after the solve on the measured face, against the reference.

    `z` (3): error of the measured against the true ln camera ratio (frame over reference), whitened by the predicted
    covariance of both; `z_colour` the same of (ln R/G, ln B/G), root mean square of both, `z_level` of ln G;
    `log_error` and `log_sd` (3) that error and its sd in (ln R/G, ln B/G, ln G). None where the face was not
    measured (`unusable`). `halves_de00`: how far the true colours of the two halves are apart under two lights, after
    the solve.
    """

    person: str
    tone: str
    camera: str
    light: str
    kind: str
    size_px: float
    iso: float
    ev: float
    truth_clipped: float
    gloss: float = 0.0
    unusable: str | None = None
    delta_e00: float | None = None
    level_ev: float | None = None
    z: tuple[float, ...] | None = None
    z_colour: float | None = None
    z_level: float | None = None
    log_error: tuple[float, ...] | None = None
    log_sd: tuple[float, ...] | None = None
    flagged: bool | None = None
    chroma_sd: float | None = None
    mixed: bool = False
    mired_apart: float = 0.0
    share: float = 0.0
    halves_de00: float = 0.0
    as_shot_de00: float | None = None
    found: bool = True
    false_faces: int = 0


def places_of(mesh: Array) -> tuple[Place, ...]:
    """The five facial regions of a mesh (468, 2) in fractions, by the tool's own table."""
    made = []
    for region, shape in REGIONS.items():
        a, b, t = (np.array(column) for column in zip(*shape, strict=True))
        made.append(Place(region, polygon((1 - t)[:, None] * mesh[a] + t[:, None] * mesh[b])))
    return tuple(made)


def run_person(
    portrait: Portrait,
    skin: SkinSpectrum,
    camera: Camera,
    settings: BenchSettings,
    measure: Measure,
    rng: np.random.Generator,
    locate: Locate | None = None,
) -> Iterator[Row]:
    """A reference frame and `frames_per_person` others of one person on one camera.

    `locate` finds the places; by default they are the mesh's own with an error.
    """
    locate = locate or _jittered(settings)
    name = f"{portrait.name}, {skin.tone}, {skin.source}"
    all_lights = lights()
    first = Shot(all_lights["D55"], 200.0, 0.0, 250.0, gloss=rng.uniform(0, settings.gloss_max))
    reference = render(portrait, skin.reflectance, camera, first, rng)
    at = locate(reference, first, camera, reference.neutral, rng)
    if at.places is None:
        raise RuntimeError(f"the reference of {name} was not found")
    seen = measure(at.cells, at.places, reference.neutral)
    if isinstance(seen, Unusable):
        raise RuntimeError(f"the reference of {name} is {seen}")
    white = [float(v) for v in white_from_neutral(camera.profile, reference.neutral)]
    target = xyz_from_settings(camera.profile, seen.camera, white[0], white[1], 0.0)
    truth = xyz_from_settings(camera.profile, reference.truth, white[0], white[1], 0.0)
    order = rng.permutation(list(all_lights))
    for i in range(settings.frames_per_person):
        shot = draw(all_lights[str(order[i % len(order)])], settings, rng)
        frame = render(portrait, skin.reflectance, camera, shot, rng)
        as_shot = as_shot_neutral(camera, frame, rng)
        at = locate(frame, shot, camera, as_shot, rng)
        measured = measure(at.cells, at.places, as_shot) if at.places is not None else None
        row = Row(
            person=name,
            tone=skin.tone,
            camera=camera.name,
            light=shot.light.name if shot.second is None else f"{shot.light.name} + {shot.second.name}",
            kind=shot.light.kind if shot.second is None else "two lights",
            size_px=shot.face_cells / settings.cells_per_px,
            iso=shot.iso,
            ev=shot.ev,
            truth_clipped=frame.truth_clipped,
            gloss=shot.gloss,
            mixed=shot.second is not None,
            mired_apart=0.0 if shot.second is None else abs(mired(shot.light) - mired(shot.second)),
            share=shot.second_share,
            found=at.places is not None,
            false_faces=at.false_faces,
        )
        yield scored(row, camera, frame, reference, measured, seen, target, truth)


def scored(
    row: Row,
    camera: Camera,
    frame: Rendered,
    reference: Rendered,
    measured: FaceSkin | Unusable | None,
    seen: FaceSkin,
    target: Array,
    truth: Array,
) -> Row:
    """`row` with its figures: solve on the measured face, apply to the true one."""
    if measured is None:
        return replace(row, unusable="not found")
    if isinstance(measured, Unusable):
        return replace(row, unusable=str(measured))
    kelvin, tint, ev = settings_for_target(camera.profile, measured.camera, target)
    develop = (float(kelvin), float(tint), float(ev))
    after = xyz_from_settings(camera.profile, frame.truth, *develop)
    other = xyz_from_settings(camera.profile, frame.truth if frame.other is None else frame.other, *develop)
    delta, level = skin_difference(after, truth)
    white = [float(v) for v in white_from_neutral(camera.profile, frame.neutral)]
    grey_card, _ = skin_difference(xyz_from_settings(camera.profile, frame.truth, white[0], white[1], 0.0), truth)
    error = np.log(np.asarray(measured.camera) / seen.camera) - np.log(frame.truth / reference.truth)
    covariance = np.asarray(measured.log_covariance) + np.asarray(seen.log_covariance)
    z = np.linalg.solve(np.linalg.cholesky(covariance), error)
    chroma = CHROMA @ error
    of_chroma = CHROMA @ covariance @ CHROMA.T
    return replace(
        row,
        delta_e00=float(delta),
        level_ev=float(level),
        z=tuple(float(v) for v in z),
        z_colour=float(np.sqrt(chroma @ np.linalg.solve(of_chroma, chroma) / 2)),
        z_level=float(error[1] / np.sqrt(covariance[1, 1])),
        log_error=(float(chroma[0]), float(chroma[1]), float(error[1])),
        log_sd=tuple(float(v) for v in np.sqrt([of_chroma[0, 0], of_chroma[1, 1], covariance[1, 1]])),
        flagged=measured.sides is not None and sides_apart(camera, measured.camera, measured.sides, develop),
        halves_de00=0.0 if frame.other is None else float(skin_difference(other, after)[0]),
        chroma_sd=measured.sides.chroma_sd if measured.sides is not None else 0.0,
        as_shot_de00=float(grey_card),
    )


def sides_apart(camera: Camera, middle: Vec3, sides: SideDifference, develop: tuple[float, float, float]) -> bool:
    """The solver's rule for two sides of one face (`xmpsync.solve.mixed`), of a person who is even otherwise."""
    v = CHROMA @ np.asarray(sides.log_covariance) @ CHROMA.T
    d = CHROMA @ np.asarray(sides.log_ratio)
    half = np.array([d[0], 0.0, d[1]]) / 2
    one, other = (xyz_from_settings(camera.profile, middle * np.exp(h), *develop) for h in (half, -half))
    size = float(skin_difference(one, other)[0])
    beyond = size**2 * (1.0 - float(np.trace(v) / (d @ d)))
    return bool(d @ np.linalg.solve(v, d) > CHANCE and beyond > (2.0 * TOLERANCE_DE00) ** 2)


def _jittered(settings: BenchSettings) -> Locate:
    def locate(frame: Rendered, shot: Shot, camera: Camera, neutral: Vec3, rng: np.random.Generator) -> Located:
        return Located(frame.cells, places_of(jitter(frame.mesh, rng, settings.jitter)))

    return locate


def draw(light: Light, settings: BenchSettings, rng: np.random.Generator) -> Shot:
    """A random way of taking a frame under `light`."""
    size = float(rng.choice(SIZES_PX, p=_size_odds(settings)))
    second, share = None, 0.0
    if rng.uniform() < settings.mixed_part:
        others = [l for l in lights().values() if abs(mired(l) - mired(light)) >= MIN_MIRED_APART]
        second, share = others[int(rng.integers(len(others)))], float(rng.uniform(MIN_SHARE, 0.7))
    return Shot(
        light=light,
        iso=float(rng.choice(ISOS)),
        ev=float(rng.choice(EXPOSURES_EV)),
        face_cells=size * settings.cells_per_px,
        roll_deg=float(rng.choice([0.0, 0.0, rng.uniform(-30, 30), 90.0, 180.0, 270.0])),
        mirrored=bool(rng.uniform() < 0.5),
        gloss=float(rng.uniform(0, settings.gloss_max)),
        slope_ev=float(rng.uniform(0, 0.6)),
        slope_deg=float(rng.uniform(0, 360)),
        second=second,
        second_share=share,
        side=int(rng.choice([-1, 1])),
    )


def as_shot_neutral(camera: Camera, frame: Rendered, rng: np.random.Generator) -> Vec3:
    """What the camera wrote as its neutral: the truth with an error (automatic), or its daylight setting."""
    if rng.uniform() < 0.3:
        neutral = camera.see(lights()["D55"], np.ones(31))
    else:
        neutral = np.asarray(frame.neutral) * np.exp(0.08 * rng.normal(size=3))
    return tuple(float(v) for v in neutral / neutral.max())  # type: ignore[return-value]


def _size_odds(settings: BenchSettings) -> Array:
    odds = np.array([0.3 if size * settings.cells_per_px > WORST_SIZES else 1.0 for size in SIZES_PX])
    return odds / odds.sum()
