"""What the camera sees of every face, and what measuring makes of it.

The truth of a face is its person's skin as it is in that light and at that face's turn to it, without skin state, side
light and errors of measuring: what a frame's correction has to bring to the person's reference.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmarks.skin.spectra import Array, chromophore_steps
from benchmarks.solve.day import Day, Flags, Ints
from benchmarks.solve.lighting import Lighting
from benchmarks.solve.people import REGIONS, People
from benchmarks.solve.world import World

REGION_WEIGHT = np.array([1.0, 1.0, 1.0, 0.4, 0.4])
LEFT_PART = np.array([1.0, 0.0, 0.5, 0.5, 0.5])
"""How much of a region lies on the face's left half."""
HIDDEN = 0.12
"""Part of the regions that a hand, hair or the turn of the head hides in one composition."""
NEW_IN_BURST = 0.25
"""Of state, pose and errors of measuring: the part (as a standard deviation) that is new in each frame of a burst."""
READ_NOISE, FULL_WELL = 0.4, 60.0
FLOOR = 0.003
"""ln units: least error of a region's colour, however many cells."""


@dataclass(frozen=True, slots=True, eq=False)
class Skins:
    """Noise-free: `clean` (N, 3) the truth, `lit` (N, 2, 3) the halves with state as the lights on them show them,
    `own` (N, 5, 3) ln of the regions against the whole, `side_ev` (N,) left against right."""

    clean: Array
    lit: Array
    own: Array
    side_ev: Array


@dataclass(frozen=True, slots=True, eq=False)
class Faces:
    """N faces in the order of their frames: where they are, who, their `skins`, and what measuring finds.

    `seen` (N, 3) with its standard deviation `sd` (N, 3) in ln units, `regions` (N, 5, 3), `shown` (N, 5), `sides`
    (N, 3) ln of the left half over the right one, `cells` (N,).
    """

    frame: Ints
    place: Ints
    person: Ints
    skins: Skins
    seen: Array
    sd: Array
    regions: Array
    shown: Flags
    sides: Array
    cells: Ints
    clipped: Flags


def faces_of(world: World, day: Day, people: People, light: Lighting, rng: np.random.Generator) -> Faces:
    """All faces of the day."""
    frame, place = _places(day)
    person = day.place_person[place]
    skins = _skins(world, day, people, light, frame, place, rng)
    places = len(day.place_person)
    low, high = np.log(world.cells)
    cells = np.exp(rng.uniform(low, high, places))[place].astype(int)
    photon = np.sqrt((READ_NOISE / FULL_WELL) ** 2 * light.iso[frame, None] / 100.0 / np.maximum(skins.clean, 1e-4))
    sd = np.sqrt(photon**2 / cells[:, None] + FLOOR**2)
    gathered = np.zeros((len(person), 3))
    chroma = world.gather_de / np.sqrt(2) * _shared(place, places, 2, rng)
    gathered[:, [0, 2]] = chroma * people.chroma_de[person]
    gathered += np.log(2) * world.gather_ev * _shared(place, places, 1, rng)

    by_side = 2.0 ** (0.5 * skins.side_ev[:, None] * (2 * LEFT_PART - 1))
    even = skins.lit[:, :1] * LEFT_PART[:, None] + skins.lit[:, 1:] * (1 - LEFT_PART[:, None])
    even = np.log(even) + skins.own
    regions = even + np.log(by_side)[..., None] + gathered[:, None]
    regions = regions + rng.normal(size=regions.shape) * 2.0 * sd[:, None]
    shown = rng.random((places, REGIONS))[place] >= HIDDEN
    shown[~shown.any(axis=1)] = True
    # The lit side fills most of what counts as lit skin; the face's level is that of its middle all the same.
    weight = REGION_WEIGHT * shown * by_side**2
    seen = np.einsum("nr,nrc->nc", weight / weight.sum(axis=1, keepdims=True), regions - regions[..., 1:2])
    seen += np.average(even, axis=1, weights=REGION_WEIGHT)[:, 1:2] + gathered[:, 1:2]
    seen += rng.normal(size=(len(person), 1)) * sd[:, 1:2]
    sides = np.log(skins.lit[:, 0] / skins.lit[:, 1]) + skins.own[:, 0] - skins.own[:, 1]
    sides = sides + np.log(2) * skins.side_ev[:, None] + rng.normal(size=sides.shape) * 2.0 * sd
    clipped = (rng.random(places) < world.clipped)[place]
    clipped &= ~np.isin(day.place_composition, day.reference_compositions)[place]
    return Faces(frame, place, person, skins, np.exp(seen), sd, np.exp(regions), shown, sides, cells, clipped)


def _places(day: Day) -> tuple[Ints, Ints]:
    """Frame and place (N,) of every face: each frame shows all places of its composition."""
    counts = np.bincount(day.place_composition, minlength=len(day.composition_visit))
    first = np.cumsum(counts) - counts
    per_frame = counts[day.frame_composition]
    frame = np.repeat(np.arange(len(per_frame)), per_frame)
    within = np.arange(len(frame)) - np.repeat(np.cumsum(per_frame) - per_frame, per_frame)
    return frame, first[day.frame_composition[frame]] + within


def _skins(
    world: World, day: Day, people: People, light: Lighting, frame: Ints, place: Ints, rng: np.random.Generator
) -> Skins:
    person, places = day.place_person[place], len(day.place_person)
    state = world.state_de / np.sqrt(2) * _shared(place, places, 2, rng) * people.step_de[person]
    pose = 2.0 ** (world.pose_ev * _shared(place, places, 1, rng))
    gain = light.gain[frame, None] * pose * np.exp(light.person_light[person, day.frame_visit[frame]])
    sensitivity, main, second = light.sensitivity[frame], light.power[frame], light.second[frame]
    melanin, blood = chromophore_steps()

    def changed(steps: Array) -> Array:
        """(N, 31) gain of reflectances by steps (N, 2) of melanin and blood."""
        return np.asarray(np.exp(-steps[:, :1] * melanin - steps[:, 1:] * blood))

    def camera_of(reflectance: Array, power: Array) -> Array:
        return np.asarray(np.einsum("nw,nwc->nc", reflectance * power, sensitivity) * gain)

    plain = people.reflectance[person]
    with_state = plain * changed(state)
    part = day.place_second[place]
    lit = [camera_of(with_state, (1 - p) * main + p * second) for p in (part[:, :1], part[:, 1:])]
    # An own colour of a region is small: its effect on the camera's values is taken under the main light.
    whole = camera_of(with_state, main)
    steps = np.moveaxis(people.region_steps[person], 1, 0)
    own = np.log(np.stack([camera_of(with_state * changed(s), main) / whole for s in steps], axis=1))
    own -= np.average(own, axis=1, weights=REGION_WEIGHT)[:, None, :]
    side_ev = world.side_ev * _shared(place, places, 1, rng)[:, 0]
    return Skins(camera_of(plain, main), np.stack(lit, axis=1), own, side_ev)


def _shared(place: Ints, places: int, columns: int, rng: np.random.Generator) -> Array:
    """Unit normal numbers (N, columns), mostly one per place: in a burst they stay, but for a part."""
    shared = rng.normal(size=(places, columns))[place]
    return np.asarray(np.sqrt(1 - NEW_IN_BURST**2) * shared + NEW_IN_BURST * rng.normal(size=shared.shape))
