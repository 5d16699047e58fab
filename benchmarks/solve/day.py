"""The day of a shoot as flat arrays: which light when, who stands where, what the camera was set to. No colour yet.

A visit is one run of frames under one light; a composition is one arrangement of people in it, shot once or as a burst.
All that a burst shares is drawn once for its composition.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchmarks.skin.lights import lights
from benchmarks.skin.spectra import Array
from benchmarks.solve.people import GUESTS
from benchmarks.solve.world import World

Ints = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]

REFERENCE_LIGHTS = ("D55", "D65", "D50")
INDOORS = ("tungsten", "phosphor LED", "fluorescent", "cast")
LAMPS = ("phosphor LED", "fluorescent", "cast")
WINDOW = 0.2
"""Part of the dusk outside that is seen among lamps."""
SECOND = 0.6
"""Part of the second light in what lights a face or half of one that is mixed."""
SECOND_BODY = 0.35
"""Part of the compositions that the second body takes."""


@dataclass(frozen=True, slots=True, eq=False)
class Day:
    """V visits, C compositions, K places of people in them, F frames; by `_of` indices from one into the other.

    `told_light` (F,): the visit, or a number of its own place for frames whose flash did not fire.
    """

    visit_light: tuple[str, ...]
    visit_level: Array
    visit_flash: Flags
    visit_white_removed: Array
    visit_manual: Array
    """(V, 2) ln error of a white set by hand, NaN for the camera's own."""
    composition_visit: Ints
    misfired: Flags
    meter_error_ev: Array
    f_number: Array
    place_composition: Ints
    place_person: Ints
    place_number: Ints
    place_second: Array
    """(K, 2) part of the second light on the left and on the right half."""
    frame_composition: Ints
    frame_s: Array
    frame_body: Ints
    frame_dusk: Array
    reference_compositions: tuple[int, ...]

    @property
    def frame_visit(self) -> Ints:
        return self.composition_visit[self.frame_composition]

    @property
    def told_light(self) -> Ints:
        out: Ints = self.frame_visit + len(self.visit_light) * self.misfired[self.frame_composition]
        return out


def day_of(world: World, rng: np.random.Generator) -> Day:
    """One day; the first visit is daylight and holds the (first) reference."""
    names, kinds = _visits(world, rng)
    flash = rng.random(len(names)) < world.flash
    flash[0] = False
    names = tuple("D55" if f else n for n, f in zip(names, flash, strict=True))
    sizes = rng.integers(world.compositions[0], world.compositions[1] + 1, len(names))
    sizes[0] = max(sizes[0], 2)
    visit = np.repeat(np.arange(len(names)), sizes)
    shown, references = _shown(world, visit, rng)
    n = len(visit)
    counts = np.array([len(s) for s in shown])
    place_composition = np.repeat(np.arange(n), counts)
    number = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    burst = rng.integers(world.burst[0], world.burst[1] + 1, n)
    frame_composition = np.repeat(np.arange(n), burst)
    seconds = _times(world, visit, frame_composition, rng)
    frame_visit = visit[frame_composition]
    starts = np.array([seconds[frame_visit == v].min() for v in range(len(names))])
    ends = np.array([seconds[frame_visit == v].max() for v in range(len(names))])
    indoors = np.array([k in INDOORS for k in kinds])
    dusk = world.drift * (seconds - starts[frame_visit]) / np.maximum(ends - starts, 1.0)[frame_visit]
    dusk *= np.where(indoors, WINDOW, 1.0)[frame_visit]
    manual = rng.random(len(names)) < world.manual
    level = np.where(indoors, rng.uniform(-6, 0, len(names)), rng.uniform(0, 3, len(names)))
    misfired = flash[visit] & (rng.random(n) < world.misfire)
    misfired[list(references)] = False
    return Day(
        visit_light=names,
        visit_level=2.0**level,
        visit_flash=flash,
        visit_white_removed=np.where(np.arange(len(names)) == 0, 0.9, rng.uniform(0.3, 0.9, len(names))),
        visit_manual=np.where(manual[:, None], rng.normal(0.0, 0.05, (len(names), 2)), np.nan),
        composition_visit=visit,
        misfired=misfired,
        meter_error_ev=rng.normal(0.0, world.meter_ev, n),
        f_number=rng.choice([1.8, 2.8, 4.0], n),
        place_composition=place_composition,
        place_person=np.concatenate([np.array(s, int) for s in shown]),
        place_number=number,
        place_second=_second(world, place_composition, number, counts, references, rng),
        frame_composition=frame_composition,
        frame_s=seconds,
        frame_body=_bodies(world, frame_composition, references, rng),
        frame_dusk=dusk,
        reference_compositions=references,
    )


def _visits(world: World, rng: np.random.Generator) -> tuple[tuple[str, ...], list[str]]:
    """Lights in the order of the day, no two alike side by side."""
    pool = lights()
    first = str(rng.choice(REFERENCE_LIGHTS))
    others = [n for n in pool if n != first and (pool[n].kind in LAMPS or not world.lamps)]
    some = min(len(others), max(2, world.lights // 2) if world.returning else world.lights - 1)
    chosen = [str(n) for n in rng.choice(others, some, replace=False)]
    names = [first, *chosen]
    while len(names) < world.lights:
        names.append(str(rng.choice([n for n in [first, *chosen] if n != names[-1]])))
    return tuple(names), [pool[n].kind for n in names]


def _shown(world: World, visit: Ints, rng: np.random.Generator) -> tuple[list[list[int]], tuple[int, ...]]:
    """Who is in each composition (guests from `world.people` on), and which compositions are the references."""
    everybody = np.arange(world.people)
    shown: list[list[int]] = []
    for v in range(int(visit.max()) + 1):
        # Not everybody is everywhere; over the day all meet.
        present = rng.permutation(everybody)[: max(1, min(world.people, int(rng.integers(2, 6))))]
        if world.apart:
            present = everybody[:1] if v % 2 == 0 else present[present > 0]
        for _ in range(int((visit == v).sum())):
            if rng.random() < world.no_face:
                shown.append([])
                continue
            n = min(int(rng.integers(1, world.most_faces + 1)), len(present))
            here = [int(p) for p in rng.choice(present, n, replace=False)]
            guest = rng.random(n) < world.strangers
            guests = world.people + rng.choice(GUESTS, n, replace=False)
            crowd = (
                rng.choice(GUESTS, rng.integers(*world.crowd, endpoint=True), replace=False) if world.crowd[1] else []
            )
            shown.append(
                [int(g) if is_guest else p for p, g, is_guest in zip(here, guests, guest, strict=True)]
                + [world.people + int(g) for g in crowd]
            )
    first = np.flatnonzero(visit == 0)
    group = [int(p) for p in everybody[:4]]
    if world.references == "one of several":
        shown[first[0]] = [0]
        return shown, (int(first[0]),)
    if world.references == "several for one":
        at = [int(first[0]), *(int(c) for c in rng.choice(np.flatnonzero(visit > 0), 2, replace=False))]
        for c in at:
            shown[c] = [0]
        return shown, tuple(at)
    shown[first[0]] = group[: max(1, min(world.people, 4))]
    if world.references == "all":
        others = rng.choice(np.flatnonzero(visit > 0), world.people - 1, replace=False)
        at = [int(first[0]), *(int(c) for c in others)]
        for person, c in enumerate(at):
            shown[c] = [person]
        return shown, tuple(at)
    return shown, (int(first[0]),)


def _times(world: World, visit: Ints, frame_composition: Ints, rng: np.random.Generator) -> Array:
    """Seconds of every frame: bursts at some frames a second, compositions by the minute, visits by the half hour."""
    n = len(frame_composition)
    step = rng.uniform(0.1, 0.5, n)
    new = np.diff(frame_composition, prepend=-1) != 0
    waits = np.where(rng.random(n) < 0.6, rng.exponential(4.0, n), rng.exponential(40.0, n)) + 1.0
    step = np.where(new, waits, step)
    new_visit = np.diff(visit[frame_composition], prepend=-1) != 0
    # Some changes of light come at once: a door, a switch, a step into the shade.
    walk = np.where(rng.random(n) < 0.25, rng.uniform(5, 60, n), rng.uniform(120, 1500, n))
    if world.walk_s is not None:
        walk = rng.uniform(*world.walk_s, n)
    return np.asarray(1_000_000.0 + np.cumsum(np.where(new_visit, walk, step)))


def _bodies(world: World, frame_composition: Ints, references: tuple[int, ...], rng: np.random.Generator) -> Ints:
    n = int(frame_composition.max()) + 1
    body: Ints = (rng.random(n) < (SECOND_BODY if world.bodies > 1 else 0.0)).astype(np.intp)
    body[list(references)] = 0
    out: Ints = body[frame_composition]
    return out


def _second(
    world: World, composition: Ints, number: Ints, counts: Ints, references: tuple[int, ...], rng: np.random.Generator
) -> Array:
    """Part (K, 2) of the second light on the left and right half of every face."""
    out = np.zeros((len(composition), 2))
    pair = rng.random(len(counts)) < world.mixed_pairs
    out[pair[composition] & (counts[composition] > 1) & (number == 1)] = SECOND
    side = rng.random(len(composition)) < world.mixed_sides
    left = rng.random(len(composition)) < 0.5
    out[side & left, 0] = SECOND
    out[side & ~left, 1] = SECOND
    out[np.isin(composition, references)] = 0.0
    return out
