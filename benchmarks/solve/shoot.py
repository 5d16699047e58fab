"""One shoot: light falls on skin, a camera sees it, measuring adds its errors. `request.py` makes the records."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np

from benchmarks.skin.cameras import Camera
from benchmarks.skin.spectra import SkinSpectrum
from benchmarks.solve.day import Day, Flags, Ints, day_of
from benchmarks.solve.faces import Faces, faces_of
from benchmarks.solve.lighting import Lighting, lighting_of
from benchmarks.solve.people import People, people_of
from benchmarks.solve.truth import Truth, truth_of
from benchmarks.solve.world import World


@dataclass(frozen=True, slots=True, eq=False)
class Shoot:
    """Everything about one shoot of F frames and N faces."""

    world: World
    day: Day
    people: People
    bodies: tuple[Camera, ...]
    light: Lighting
    faces: Faces
    truth: Truth

    @property
    def n_frames(self) -> int:
        return len(self.day.frame_s)

    @property
    def guest(self) -> Flags:
        """(N,) faces of nobody who has a reference or comes again and again."""
        out: Flags = self.faces.person >= self.people.n
        return out

    @property
    def face_body(self) -> Ints:
        out: Ints = self.day.frame_body[self.faces.frame]
        return out

    @property
    def is_reference(self) -> Flags:
        """(F,)"""
        out: Flags = np.isin(np.arange(self.n_frames), self.truth.reference_frames)
        return out


def shoot_of(world: World, seed: int, cameras: list[Camera], skins: list[SkinSpectrum]) -> Shoot:
    """The shoot of a world that `seed` draws; equal arguments give equal shoots."""
    rng = _rng(world, seed)
    bodies = tuple(cameras[i] for i in rng.choice(len(cameras), world.bodies, replace=len(cameras) < world.bodies))
    people = people_of(world, skins, bodies[0], rng)
    day = day_of(world, rng)
    light = lighting_of(world, day, people, bodies, rng)
    faces = faces_of(world, day, people, light, rng)
    return Shoot(world, day, people, bodies, light, faces, truth_of(day, people, bodies, light, faces, rng))


def _rng(world: World, seed: int) -> np.random.Generator:
    """Another one for every world, so that one lucky draw of people does not colour all tables."""
    return np.random.default_rng((seed, zlib.crc32(repr(world).encode())))
