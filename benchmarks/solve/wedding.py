"""One simulated shoot: what the solver is given (`Request`), and what is true of it.

A light falls on skin (spectra), a camera sees it, the measurement adds noise. Each face of each frame also has a state
(blush, tan, shine, the way it is turned); the truth is the same person's skin without state under the same light. None
of the widths used here is handed to the solver.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from benchmarks.skin.cameras import Camera
from benchmarks.skin.cameras import _camera as fitted
from benchmarks.skin.lights import Light, lights
from benchmarks.skin.spectra import WAVELENGTH_NM, Array, SkinSpectrum, chromophore_steps
from xmpsync.colour.camera import apply, white_from_neutral, xyz_from_camera
from xmpsync.records import Box, Capture, Mat3, Settings3, Vec3
from xmpsync.skin.records import FaceSkin, Region, RegionSkin
from xmpsync.solve.problem import Face, Frame, Reference, Request, Scene

SETUPS = (
    ("D55", "day"), ("clear sky 12000 K", "day"), ("A", "in"), ("LED-B3", "in"), ("D65", "drift"), ("FL11", "in"),
    ("D55", "flash"), ("LED-B1", "in"), ("magenta cast", "in"), ("ISO 7589 Studio Tungsten", "mixed"),
)  # fmt: skip
"""Ten light setups of a day: the light, and what is special about the place."""
REGION_STEPS = {Region.LEFT_CHEEK: (0.0, 0.10), Region.RIGHT_CHEEK: (0.0, 0.10), Region.FOREHEAD: (0.06, -0.08)}
"""Melanin and blood of a region against the whole face, as ln steps at 550 nm (cheeks redder, forehead browner)."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What kind of shoot. `who`: "names" (10 % wrong), "vectors" (identity), "none" (nobody tells)."""

    frames: int = 120
    people: int = 6
    setups: int = 10
    who: str = "names"
    wrong_names: float = 0.1
    seed: int = 1
    most_faces: int = 3
    no_face: float = 0.15
    reference_faces: int = 1
    automatic: bool = True
    specials: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class TrueFace:
    """Who it is, the clean skin in camera values, and where the face's own light differs from the frame's."""

    person: int
    clean: Array
    mixed: bool


@dataclass(frozen=True, slots=True, eq=False)
class TrueFrame:
    """One frame's truth. `everybody` (P, 3): clean camera values of all persons under the frame's main light."""

    frame_id: str
    setup: int
    faces: tuple[TrueFace, ...]
    everybody: Array
    grey_card: Vec3
    scene_mean: Vec3
    shades: Vec3


@dataclass(frozen=True, slots=True, eq=False)
class Shoot:
    """The question and the truth. `targets` (P, 3): XYZ D50 of everybody's clean skin in the reference's look."""

    request: Request
    truth: tuple[TrueFrame, ...]
    targets: Array
    tones: tuple[str, ...]
    reference_persons: frozenset[int] = field(default_factory=frozenset)


def make(plan: Plan, cameras: list[Camera], skins: list[SkinSpectrum]) -> Shoot:
    """A shoot; the reference is a frame of the first setup with `reference_faces` faces."""
    rng = np.random.default_rng((plan.seed, plan.frames))
    bodies = [cameras[int(rng.integers(len(cameras)))] for _ in range(2 if plan.specials else 1)]
    people = [skins[i] for i in rng.choice(len(skins), plan.people, replace=False)]
    vectors = rng.normal(size=(plan.people, 128))
    vectors *= 0.53 / np.linalg.norm(vectors, axis=1, keepdims=True)
    sizes = rng.multinomial(plan.frames, rng.dirichlet(np.full(plan.setups, 4.0)))
    sizes = np.maximum(sizes, 3)
    order = [0, *rng.permutation(np.arange(1, plan.setups))] if plan.setups > 1 else [0]
    frames, truth = [], []
    when, at = 1_000_000.0, None
    for setup in order:
        frames_here, truth_here, when = _setup(plan, int(setup), int(sizes[setup]), bodies, people, vectors, when, rng)
        if setup == 0:
            good = [i for i, t in enumerate(truth_here) if len(t.faces) == plan.reference_faces]
            at = len(frames) + (good[0] if good else next(i for i, t in enumerate(truth_here) if t.faces))
        frames += frames_here
        truth += truth_here
        when += float(rng.uniform(120, 1500))
    assert at is not None
    # Who points at a reference knows who it is: its names are right.
    known = tuple(
        replace(face, name=face.name and f"P{true.person}")
        for face, true in zip(frames[at].faces, truth[at].faces, strict=True)
    )
    frames[at] = reference = replace(frames[at], faces=known)
    matrix = xyz_from_camera(reference.profile, reference.as_shot.temperature_k, reference.as_shot.tint)
    request = Request(frames=tuple(frames), references=(Reference(frame_id=reference.frame_id),))
    return Shoot(
        request=request,
        truth=tuple(truth),
        targets=apply(matrix, truth[at].everybody),
        tones=tuple(p.tone for p in people),
        reference_persons=frozenset(f.person for f in truth[at].faces),
    )


def _setup(
    plan: Plan, setup: int, count: int, bodies: list[Camera], people: list[SkinSpectrum], vectors: Array, when: float,
    rng: np.random.Generator,
) -> tuple[list[Frame], list[TrueFrame], float]:  # fmt: skip
    name, special = SETUPS[setup % len(SETUPS)]
    special = special if plan.specials else "in"
    light, second = lights()[name], lights()["D55"]
    level = 2.0 ** rng.uniform(-6, 0) if special in ("in", "mixed") else 2.0 ** rng.uniform(0, 3)
    body = 0 if len(bodies) == 1 else int(rng.random() < 0.3)
    present = rng.choice(len(people), min(len(people), int(rng.integers(2, 5))), replace=False)
    if setup == 0:
        present = np.arange(min(len(people), 4))
    # A reference is picked where the picture looks right: the camera's white is close to the light's there.
    removed = 0.9 if setup == 0 else float(rng.uniform(0.3, 0.9))
    manual = None if plan.automatic and rng.random() < 0.6 else rng.normal(0.0, 0.02 if setup == 0 else 0.06, 3)
    frames, truth = [], []
    start = when
    for k in range(count):
        when += float(rng.exponential(4.0) if rng.random() < 0.6 else rng.exponential(40.0))
        share = np.clip((when - start) / 3600.0, 0.0, 1.0) if special == "drift" else 0.0
        warm = lights()["A"].power
        power = light.power * (1 - 0.6 * share) + 0.6 * share * warm
        power = power * level * 2.0 ** (-1.5 * share)
        flash = special == "flash"
        misfired = flash and rng.random() < 0.04
        if misfired:
            power = lights()["A"].power * level * 0.05
        shown = []
        if rng.random() >= plan.no_face:
            n = int(rng.integers(1, min(plan.most_faces, len(present)) + 1))
            shown = [int(p) for p in rng.choice(present, n, replace=False)]
        if setup == 0 and k == count // 2:
            shown = [int(p) for p in present[: plan.reference_faces]]
        camera = bodies[body]
        frame_id = f"s{setup:02d}_{k:04d}"
        frame, true = _frame(
            plan, frame_id, setup, camera, f"B{body}", power, second if special == "mixed" else None, shown, people,
            vectors, when, flash, manual, removed, float(level), rng,
        )  # fmt: skip
        frames.append(frame)
        truth.append(true)
    return frames, truth, when


def _frame(
    plan: Plan, frame_id: str, setup: int, camera: Camera, serial: str, power: Array, second: Light | None,
    shown: list[int], people: list[SkinSpectrum], vectors: Array, when: float, flash: bool, manual: Array | None,
    removed: float, level: float, rng: np.random.Generator,
) -> tuple[Frame, TrueFrame]:  # fmt: skip
    white = power @ camera.sensitivity
    f_number = float(rng.choice([1.8, 2.8, 4.0]))
    iso = float(2.0 ** rng.integers(0, 3) * (100 if level > 0.5 else 800))
    error = rng.normal(0.0, 0.35)
    exposure_s = 1 / 160 if flash else float(f_number**2 / iso / level * 2.0 ** (round(error * 3) / 3))
    gain = 0.5 / white.max() * 2.0**error if flash else 0.5 / 1.0 * exposure_s * iso / f_number**2
    everybody = np.array([(p.reflectance * power) @ camera.sensitivity for p in people]) * gain
    faces, true_faces = [], []
    for number, person in enumerate(shown):
        own = power
        # every other face of a mixed place stands half in the second light (a window, a lamp)
        mixed = second is not None and number % 2 == 1 and rng.random() < 0.7
        if mixed:
            own = 0.5 * power + 0.5 * second.power * power.sum() / second.power.sum()
        clean = (people[person].reflectance * own) @ camera.sensitivity * gain
        faces.append(
            _face(plan, f"f{number}", person, people, own, camera, gain, iso, vectors, number, len(shown), rng)
        )
        true_faces.append(TrueFace(person, clean, mixed))
    grey = white / white.max()
    plain = lights()["D55"].power @ camera.sensitivity
    if manual is None:
        neutral = np.exp(
            removed * np.log(white / white[1]) + (1 - removed) * np.log(plain / plain[1]) + rng.normal(0, 0.03, 3)
        )
    else:
        neutral = np.exp(removed * np.log(white / white[1]) + (1 - removed) * np.log(plain / plain[1]) + manual)
        neutral = np.round(neutral, 1 if plan.automatic else 2)
    kelvin, tint = white_from_neutral(camera.profile, neutral / neutral.max())
    scene = rng.dirichlet(np.full(3, 60.0)) * 3.0
    log_mean = np.log(np.maximum(white * gain * 0.18 * scene, 1e-6)) + rng.normal(0, 0.3)
    shades = white * gain * 0.18 * np.sqrt(scene)
    green = float(np.exp(log_mean[1]))
    as_shot = Settings3(float(kelvin), float(tint), 0.0)
    frame = Frame(
        frame_id=frame_id,
        profile=camera.profile,
        capture=Capture(
            make="Bench",
            model="Body",
            serial=serial,
            time_s=when,
            exposure_s=exposure_s,
            f_number=f_number,
            iso=iso,
            flash_fired=flash,
            width=6000,
            height=4000,
        ),
        as_shot=as_shot,
        baseline=as_shot,
        faces=tuple(faces),
        scene=Scene(
            green_percentiles=tuple(green * f for f in (0.1, 0.2, 0.6, 1.0, 1.7, 3.0, 4.0, 5.0)),
            log_mean_camera=_vec(log_mean),
            channel_max_percentiles=tuple(min(1.0, green * f) for f in (3.0, 4.0, 5.0)),
        ),
    )
    return frame, TrueFrame(
        frame_id, setup, tuple(true_faces), everybody, _vec(grey), _vec(np.exp(log_mean)), _vec(shades)
    )


def _face(
    plan: Plan, face_id: str, person: int, people: list[SkinSpectrum], power: Array, camera: Camera, gain: float,
    iso: float, vectors: Array, number: int, total: int, rng: np.random.Generator,
) -> Face:  # fmt: skip
    melanin, blood = chromophore_steps()
    state = rng.normal(0.0, 0.02) * melanin + rng.normal(0.0, 0.045) * blood
    turned = 2.0 ** rng.normal(0.0, 0.12)
    shine = max(0.0, float(rng.normal(0.0, 0.004)))
    n_cells = int(np.exp(rng.uniform(np.log(80), np.log(4000))))
    regions = []
    for region, (more_melanin, more_blood) in REGION_STEPS.items():
        if rng.random() < 0.15:
            continue
        reflectance = people[person].reflectance * np.exp(-state - more_melanin * melanin - more_blood * blood)
        seen = ((reflectance + shine) * power) @ camera.sensitivity * gain * turned
        sd = np.sqrt((0.4 / 60.0) ** 2 * iso / 100.0 / n_cells / np.maximum(seen, 1e-4) + 0.003**2)
        regions.append(RegionSkin(region, _vec(seen * np.exp(rng.normal(0, sd))), _diagonal(sd), n_cells // 3))
    reflectance = people[person].reflectance * np.exp(-state)
    seen = ((reflectance + shine) * power) @ camera.sensitivity * gain * turned
    sd = np.sqrt((0.4 / 60.0) ** 2 * iso / 100.0 / n_cells / np.maximum(seen, 1e-4) + 0.003**2)
    # The whole face is what its visible regions are, as a measurement would have it.
    parts = np.array([np.log(r.camera) for r in regions]) if regions else np.log(seen)[None]
    chroma = np.mean(parts - parts[:, 1:2], axis=0)
    seen = np.exp(np.log(seen[1]) + chroma)
    skin = FaceSkin(_vec(seen * np.exp(rng.normal(0, sd))), _diagonal(sd), n_cells, tuple(regions))
    name = None
    if plan.who == "names":
        wrong = rng.random() < plan.wrong_names
        name = f"P{int(rng.integers(len(people))) if wrong else person}"
    identity = None
    if plan.who == "vectors":
        vector = vectors[person] + rng.normal(0.0, 0.50 / np.sqrt(2 * 128), 128)
        identity = tuple(float(v) for v in vector)
    left = (number + 0.5) / total - 0.1 + float(rng.normal(0, 0.03))
    return Face(face_id, Box(left, 0.3, 0.2, 0.3), name=name, skin=skin, identity=identity)


def _vec(values: Array) -> Vec3:
    return float(values[0]), float(values[1]), float(values[2])


def _diagonal(sd: Array) -> Mat3:
    m = np.diag(np.asarray(sd) ** 2)
    return _vec(m[0]), _vec(m[1]), _vec(m[2])


def like(camera: Camera, count: int, rng: np.random.Generator) -> list[Camera]:
    """Bodies like one: filters shifted by some nanometres and leaking a little, profiles fitted anew."""
    out = []
    for number in range(count):
        shifted = [
            np.interp(WAVELENGTH_NM - rng.normal(0.0, 4.0), WAVELENGTH_NM, camera.sensitivity[:, k]) for k in range(3)
        ]
        leak = np.eye(3) + 0.05 * rng.random((3, 3)) * (1.0 - np.eye(3))
        out.append(fitted(f"{camera.name} {number}", np.stack(shifted, axis=1) @ leak.T))
    return out
