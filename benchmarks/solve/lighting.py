"""Light and camera of every frame: spectra, settings, and the white that the camera notes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmarks.skin.cameras import Camera
from benchmarks.skin.lights import lights
from benchmarks.skin.spectra import WAVELENGTH_NM, Array
from benchmarks.solve.day import Day
from benchmarks.solve.people import People
from benchmarks.solve.world import World
from xmpsync.colour.camera import white_from_neutral

TILT_PER_MIRED = 0.0055
"""ln ratio of the powers at 700 and 400 nm for one mired of daylight (CIE D55 against D50)."""
AMBIENT_OF_FLASH = 0.15
"""Light of the room when the flash does not fire, against the flash."""


@dataclass(frozen=True, slots=True, eq=False)
class Lighting:
    """Of every frame: `power` (F, 31) and `second` (F, 31), `gain` (F,), settings, `white` (F, 3) camera values of a
    perfect white, `as_shot` (F, 2) temperature (K) and tint; and `person_light` (P, V, 3), see `World`."""

    power: Array
    second: Array
    gain: Array
    exposure_s: Array
    iso: Array
    sensitivity: Array
    white: Array
    as_shot: Array
    person_light: Array


def lighting_of(
    world: World, day: Day, people: People, bodies: tuple[Camera, ...], rng: np.random.Generator
) -> Lighting:
    """The day's light; `sensitivity` (F, 31, 3) of the body that took each frame."""
    power, gain, exposure_s, iso = _power(world, day, rng)
    sensitivity = np.stack([c.sensitivity for c in bodies])[day.frame_body]
    white = np.einsum("fw,fwc->fc", power, sensitivity) * gain[:, None]
    return Lighting(
        power=power,
        second=_scaled(_second_light(day)[day.frame_visit], power),
        gain=gain,
        exposure_s=exposure_s,
        iso=iso,
        sensitivity=sensitivity,
        white=white,
        as_shot=_as_shot(world, day, bodies, white, rng),
        person_light=_person_light(world, day, people, rng),
    )


def _power(world: World, day: Day, rng: np.random.Generator) -> tuple[Array, Array, Array, Array]:
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
