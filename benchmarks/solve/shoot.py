"""One shoot: light falls on skin, a camera sees it, measuring adds its errors. Arrays; `request.py` makes the records.

The truth of a face is its person's skin as it is in that light and at that face's turn to it, without skin state, side
light and errors of measuring: what a frame's correction has to bring to the person's reference.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np

from benchmarks.skin.cameras import Camera
from benchmarks.skin.lights import lights
from benchmarks.skin.spectra import WAVELENGTH_NM, Array, SkinSpectrum, chromophore_steps
from benchmarks.solve.day import Day, Flags, Ints, day_of
from benchmarks.solve.people import REGIONS, People, people_of
from benchmarks.solve.world import World
from xmpsync.colour.camera import apply, white_from_neutral, xyz_from_camera
from xmpsync.colour.match import settings_for_target

REGION_WEIGHT = np.array([1.0, 1.0, 1.0, 0.4, 0.4])
LEFT_PART = np.array([1.0, 0.0, 0.5, 0.5, 0.5])
"""How much of a region lies on the face's left half."""
HIDDEN = 0.12
"""Part of the regions that a hand, hair or the turn of the head hides in one composition."""
NEW_IN_BURST = 0.25
"""Of state, pose and errors of measuring: the part (as a standard deviation) that is new in each frame of a burst."""
READ_NOISE, FULL_WELL = 0.4, 60.0
TILT_PER_MIRED = 0.0055
"""ln ratio of the powers at 700 and 400 nm for one mired of daylight (CIE D55 against D50)."""
AMBIENT_OF_FLASH = 0.15
"""Light of the room when the flash does not fire, against the flash."""


@dataclass(frozen=True, slots=True, eq=False)
class Shoot:
    """F frames, N faces. Colours are linear camera values; `clean` (N, 3) is the truth of every face.

    `seen` (N, 3), `regions` (N, 5, 3), `shown` (N, 5): what measuring finds. `sides` (N, 3): ln of the left half over
    the right one. `ideal` (F, 3): mired, tint and EV that bring the skin of the persons shown, or of everybody where
    nobody is, to their `targets` (P, 3), XYZ D50. `asked` (N, 3): the same of every face by itself.
    """

    world: World
    day: Day
    people: People
    cameras: tuple[Camera, ...]
    face_frame: Ints
    face_place: Ints
    person: Ints
    clean: Array
    lit: Array
    """(N, 2, 3) the halves as the lights on them show them, noise-free and with state: what is mixed in truth."""
    seen: Array
    seen_sd: Array
    regions: Array
    shown: Flags
    sides: Array
    side_ev: Array
    cells: Ints
    clipped: Flags
    white: Array
    """(F, 3) camera values of a perfect white in the frame's light and exposure."""
    as_shot: Array
    """(F, 2) temperature (K) and tint."""
    exposure_s: Array
    iso: Array
    baseline: Array
    """(F, 3) temperature (K), tint, EV; that of the references as somebody set them."""
    reference_frames: Ints
    targets: Array
    asked: Array
    ideal: Array

    @property
    def n_frames(self) -> int:
        return len(self.day.frame_s)

    @property
    def frame_body(self) -> Ints:
        return self.day.frame_body

    @property
    def guest(self) -> Flags:
        out: Flags = self.person >= self.people.n
        return out


def shoot_of(world: World, seed: int, cameras: list[Camera], skins: list[SkinSpectrum]) -> Shoot:
    """The shoot of a world that `seed` draws; equal arguments give equal shoots."""
    rng = _rng(world, seed)
    bodies = tuple(cameras[i] for i in rng.choice(len(cameras), world.bodies, replace=len(cameras) < world.bodies))
    people = people_of(world, skins, bodies[0], rng)
    day = day_of(world, rng)
    power, gain, exposure_s, iso = _light(world, day, bodies, rng)
    second = _second_light(day)

    counts = np.bincount(day.place_composition, minlength=len(day.composition_visit))
    first = np.cumsum(counts) - counts
    per_frame = counts[day.frame_composition]
    face_frame = np.repeat(np.arange(len(day.frame_s)), per_frame)
    within = np.arange(len(face_frame)) - np.repeat(np.cumsum(per_frame) - per_frame, per_frame)
    face_place = first[day.frame_composition[face_frame]] + within
    person = day.place_person[face_place]
    body = day.frame_body[face_frame]
    n = len(person)

    bent = _person_light(world, day, people, rng)
    extra = bent[person, day.frame_visit[face_frame]]
    sensitivity = np.stack([c.sensitivity for c in bodies])
    reflectance = people.reflectance[person]
    state = world.state_de / np.sqrt(2) * _shared(face_place, len(day.place_person), 2, rng) * people.step_de[person]
    pose = 2.0 ** (world.pose_ev * _shared(face_place, len(day.place_person), 1, rng))
    main = power[face_frame]
    under = _scaled(second[day.frame_visit[face_frame]], main)
    level = gain[face_frame, None] * pose

    def camera_of(r: Array, light: Array) -> Array:
        """(N, 3) what reflectances (N, 31) show in a light (N, 31)."""
        return np.asarray(np.einsum("nw,nwc->nc", r * light, sensitivity[body]) * level * np.exp(extra))

    melanin, blood = chromophore_steps()
    clean = camera_of(reflectance, main)
    part = day.place_second[face_place]
    stated = reflectance * np.exp(-state[:, :1] * melanin - state[:, 1:] * blood)
    halves = [camera_of(stated, (1 - part[:, h, None]) * main + part[:, h, None] * under) for h in (0, 1)]
    lit = np.stack(halves, axis=1)
    # An own colour of a region is small: its effect on the camera's values is taken under the main light.
    own = np.stack(
        [np.log(camera_of(stated * np.exp(-s[:, :1] * melanin - s[:, 1:] * blood), main) / camera_of(stated, main))
         for s in np.moveaxis(people.region_steps[person], 1, 0)], axis=1,
    )  # fmt: skip
    own -= np.average(own, axis=1, weights=REGION_WEIGHT)[:, None, :]
    side_ev = world.side_ev * _shared(face_place, len(day.place_person), 1, rng)[:, 0]
    by_side = 2.0 ** (0.5 * side_ev[:, None] * (2 * LEFT_PART - 1))
    mixed = lit[:, :1] * LEFT_PART[:, None] + lit[:, 1:] * (1 - LEFT_PART[:, None])
    regions = mixed * np.exp(own) * by_side[..., None]
    shown = rng.random((len(day.place_person), REGIONS))[face_place] >= HIDDEN
    shown[~shown.any(axis=1)] = True
    least, most = np.log(world.cells)
    cells = np.exp(rng.uniform(least, most, len(day.place_person)))[face_place].astype(int)
    photon = np.sqrt((READ_NOISE / FULL_WELL) ** 2 * iso[face_frame, None] / 100.0 / np.maximum(clean, 1e-4))
    sd = np.sqrt(photon**2 / cells[:, None] + 0.003**2)
    gathered = np.zeros((n, 3))
    chroma = world.gather_de / np.sqrt(2) * _shared(face_place, len(day.place_person), 2, rng)
    gathered[:, [0, 2]] = chroma * people.chroma_de[person]
    gathered += np.log(2) * world.gather_ev * _shared(face_place, len(day.place_person), 1, rng)
    regions = regions * np.exp(gathered[:, None] + rng.normal(size=regions.shape) * 2.0 * sd[:, None])
    # The lit side fills most of what counts as lit skin; the face's level is that of its middle all the same.
    weight = REGION_WEIGHT * shown * by_side**2
    log = np.log(regions)
    whole = np.einsum("nr,nrc->nc", weight / weight.sum(axis=1, keepdims=True), log - log[..., 1:2])
    whole += (
        np.log((mixed * np.exp(own)).mean(axis=1))[:, 1:2] + gathered[:, 1:2] + rng.normal(size=(n, 1)) * sd[:, 1:2]
    )
    sides = np.log(lit[:, 0] / lit[:, 1]) + np.log(2) * side_ev[:, None] + own[:, 0] - own[:, 1]
    sides += rng.normal(size=sides.shape) * 2.0 * sd
    clipped = (rng.random(len(day.place_person)) < world.clipped)[face_place]
    is_reference = np.isin(day.frame_composition, day.reference_compositions)
    reference_frames = np.array(
        [int(np.flatnonzero(day.frame_composition == c)[0]) for c in day.reference_compositions], dtype=np.intp
    )
    clipped &= ~is_reference[face_frame]

    frames_sens = sensitivity[day.frame_body]
    white = np.einsum("fw,fwc->fc", power, frames_sens) * gain[:, None]
    as_shot = _as_shot(world, day, bodies, white, rng)
    visible = people.reflectance[: people.n]
    everybody = np.einsum("pw,fw,fwc->fpc", visible, power, frames_sens, optimize=True) * gain[:, None, None]
    everybody *= np.exp(np.moveaxis(bent[: people.n, day.frame_visit], 0, 1))
    baseline = np.column_stack([as_shot, np.zeros(len(as_shot))])
    # What a reference shows is its person turned to the light as there.
    of_reference = np.flatnonzero(np.isin(face_frame, reference_frames) & (person < people.n))
    everybody[face_frame[of_reference], person[of_reference]] = clean[of_reference]
    targets = _targets(day, bodies, everybody, reference_frames, person, face_frame, baseline, rng)
    asked = np.full((n, 3), np.nan)
    ideal = np.full((len(white), 3), np.nan)
    for b, camera in enumerate(bodies):
        rows = np.flatnonzero((body == b) & (person < people.n))
        asked[rows] = _theta(camera, clean[rows], targets[person[rows]])
        frames = np.flatnonzero(day.frame_body == b)
        ideal[frames] = np.nanmedian(_theta(camera, everybody[frames], targets[None]), axis=1)
    own_faces = np.isfinite(asked).all(axis=1)
    n_own = np.bincount(face_frame[own_faces], minlength=len(ideal))
    for k in range(3):
        total = np.bincount(face_frame[own_faces], asked[own_faces, k], minlength=len(ideal))
        ideal[:, k] = np.where(n_own > 0, total / np.maximum(n_own, 1), ideal[:, k])
    return Shoot(
        world, day, people, bodies, face_frame, face_place, person, clean, lit, np.exp(whole), sd, regions, shown,
        sides, side_ev, cells, clipped, white, as_shot, exposure_s, iso, baseline, reference_frames, targets, asked,
        ideal,
    )  # fmt: skip


def _rng(world: World, seed: int) -> np.random.Generator:
    """Another one for every world, so that one lucky draw of people does not colour all tables."""
    return np.random.default_rng((seed, zlib.crc32(repr(world).encode())))


def _shared(place: Ints, places: int, columns: int, rng: np.random.Generator) -> Array:
    """Unit normal numbers (N, columns), mostly one per place: in a burst they stay, but for a part."""
    shared = rng.normal(size=(places, columns))[place]
    return np.asarray(np.sqrt(1 - NEW_IN_BURST**2) * shared + NEW_IN_BURST * rng.normal(size=shared.shape))


def _light(
    world: World, day: Day, bodies: tuple[Camera, ...], rng: np.random.Generator
) -> tuple[Array, Array, Array, Array]:
    """Power (F, 31) in the place, and of every frame its gain, exposure time and ISO."""
    base = np.stack([lights()[name].power for name in day.visit_light]) * day.visit_level[:, None]
    power = base[day.frame_visit]
    dusk = lights()["clear sky 12000 K"].power
    share = day.frame_dusk[:, None]
    power = (1 - share) * power + share * dusk * power.sum(axis=1, keepdims=True) / dusk.sum()
    power = power * 2.0**-share
    ambient = lights()["A"].power
    missing = day.misfired[day.frame_composition]
    power[missing] = AMBIENT_OF_FLASH * ambient * (power[missing].sum(axis=1, keepdims=True) / ambient.sum())
    tilt = TILT_PER_MIRED * world.wander_mired * rng.normal(size=len(day.composition_visit))[day.frame_composition]
    power = power * np.exp(tilt[:, None] * (WAVELENGTH_NM - 550.0) / 300.0)
    flash = day.visit_flash[day.frame_visit]
    level = day.visit_level[day.frame_visit]
    error = day.meter_error_ev[day.frame_composition]
    number = day.f_number[day.frame_composition]
    # Settings come in thirds of a stop; a camera follows the light down at dusk.
    asked = np.round(3 * (error + day.frame_dusk)) / 3
    steps = rng.integers(0, 3, len(day.composition_visit))[day.frame_composition]
    iso = np.where(level > 0.5, world.iso / 4, world.iso) * 2.0**steps
    exposure_s = np.where(flash, 1 / 160, number**2 / iso / level * 2.0**asked)
    flash_gain = 0.5 / level * 2.0**error
    gain = np.where(flash, flash_gain, 0.5 * exposure_s * iso / number**2)
    return power, gain, exposure_s, iso


def _second_light(day: Day) -> Array:
    """(V, 31) a lamp in daylight, a window among lamps."""
    second = ["A" if lights()[name].kind == "daylight" else "D65" for name in day.visit_light]
    return np.stack([lights()[name].power for name in second])


def _scaled(power: Array, like: Array) -> Array:
    return np.asarray(power * (like.sum(axis=1) / power.sum(axis=1))[:, None])


def _person_light(world: World, day: Day, people: People, rng: np.random.Generator) -> Array:
    """(P, V, 3) ln gain of one person's skin in one visit's light, the same in all faces there."""
    out = np.zeros((len(people.reflectance), len(day.visit_light), 3))
    # One place is one light: where it comes back, a person looks there as before.
    place = {name: i for i, name in enumerate(dict.fromkeys(day.visit_light))}
    drawn = rng.normal(size=(len(people.reflectance), len(place), 2)) * people.chroma_de[:, None]
    at = [place[name] for name in day.visit_light]
    out[..., [0, 2]] = world.person_light_de / np.sqrt(2) * drawn[:, at]
    return out


def _as_shot(world: World, day: Day, bodies: tuple[Camera, ...], white: Array, rng: np.random.Generator) -> Array:
    """(F, 2) temperature and tint that the camera notes: part of the cast, and an error of the composition or visit."""
    n = len(day.composition_visit)
    plain = np.stack([lights()["D55"].power @ c.sensitivity for c in bodies])[day.frame_body]
    removed = day.visit_white_removed[day.frame_visit][:, None]
    log = removed * np.log(white / white[:, 1:2]) + (1 - removed) * np.log(plain / plain[:, 1:2])
    own = rng.normal(0.0, world.as_shot_error, (n, 2))
    own[list(day.reference_compositions)] *= 0.3
    manual = day.visit_manual[day.composition_visit]
    error = np.where(np.isfinite(manual), manual, own)
    log[:, [0, 2]] += error[day.frame_composition]
    wild = rng.random(n) < world.as_shot_wild
    wild[list(day.reference_compositions)] = False
    names = rng.choice(list(lights()), n)
    for c in np.flatnonzero(wild):
        rows = day.frame_composition == c
        preset = np.stack([lights()[str(names[c])].power @ b.sensitivity for b in bodies])[day.frame_body[rows]]
        log[rows] = np.log(preset / preset[:, 1:2])
    out = np.zeros((len(log), 2))
    for b, camera in enumerate(bodies):
        rows = day.frame_body == b
        neutral = np.exp(log[rows])
        out[rows] = np.column_stack(white_from_neutral(camera.profile, neutral / neutral.max(axis=1, keepdims=True)))
    return out


def _targets(
    day: Day, bodies: tuple[Camera, ...], everybody: Array, references: Ints, person: Ints, face_frame: Ints,
    baseline: Array, rng: np.random.Generator,
) -> Array:  # fmt: skip
    """XYZ D50 (P, 3) that everybody's skin should have; sets the baselines of the reference frames.

    The first reference is set by eye, to whatever looks right. Further ones are set to look like it, but for the
    errors of the hand that sets them; whoever has several references should look like their middle.
    """
    baseline[references[0]] += (0.0, 0.0, float(rng.normal(0.2, 0.2)))
    log = np.log(_rendered(bodies, day, everybody, int(references[0]), baseline))
    found = [[log[p]] if p in set(person[face_frame == references[0]]) else [] for p in range(len(log))]
    for f in references[1:]:
        shown = [int(p) for p in np.unique(person[face_frame == f])]
        camera = bodies[day.frame_body[f]]
        theta = np.nanmean(_theta(camera, everybody[f, shown], np.exp(log[shown])), axis=0)
        theta += rng.normal(0.0, (2.0, 1.0, 0.03))
        baseline[f] = np.round((1e6 / theta[0], theta[1], theta[2]), (0, 0, 2))  # type: ignore[call-overload]
        here = np.log(_rendered(bodies, day, everybody, int(f), baseline))
        for p in shown:
            found[p].append(here[p])
    return np.exp([np.mean(f, axis=0) if f else log[p] for p, f in enumerate(found)])


def _rendered(bodies: tuple[Camera, ...], day: Day, everybody: Array, frame: int, baseline: Array) -> Array:
    kelvin, tint, ev = baseline[frame]
    matrix = 2.0**ev * xyz_from_camera(bodies[day.frame_body[frame]].profile, kelvin, tint)
    return apply(matrix, everybody[frame])


def _theta(camera: Camera, colours: Array, targets: Array) -> Array:
    """Mired, tint, EV (..., 3) that render camera colours as targets."""
    kelvin, tint, ev = settings_for_target(camera.profile, colours, targets)
    return np.stack([1e6 / kelvin, tint, ev], axis=-1)
