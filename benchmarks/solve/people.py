"""Who is at a shoot: skin spectra, what one CIEDE2000 unit is of each person's skin, own unevenness, identity vectors.

Identity. Distances of the model measured on 81 faces: one man's pairs 0.50 / 0.64 (median / 95 %), impostors 0.81 in
the middle and 0.55 at one per cent, equal error 6 % at 0.63. Means of persons that vary in twelve dimensions,
and vectors that vary around them in 24 (those among them) with a quality of each face, give just these figures.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchmarks.skin.cameras import Camera
from benchmarks.skin.lights import lights
from benchmarks.skin.spectra import Array, SkinSpectrum, chromophore_steps
from benchmarks.solve.world import World
from xmpsync.colour.camera import apply, white_from_neutral, xyz_from_camera
from xmpsync.colour.cielab import skin_difference

GUESTS = 8
REGIONS = 5
"""Left cheek, right cheek, forehead, nose, chin."""
SHARED_STEPS = np.array([(0.0, 0.10), (0.0, 0.10), (0.06, -0.08), (0.0, 0.06), (0.03, 0.0)])
"""Melanin and blood of a region against the whole face, ln steps at 550 nm: cheeks redder, forehead browner (a cheek
against a forehead is some 3 CIEDE2000)."""
SIBLING_DE = 0.7
SIBLING_DISTANCE = 0.25
"""Identity distance between the means of two siblings; between other people it is 0.64 in the middle."""
PORTRAIT_DISTANCE = 0.1
"""The same between persons who are one portrait with another skin, over the square root of two."""
MEAN_SD, MEAN_DIMENSIONS, FACE_DIMENSIONS = 0.134, 12, 24
FACE_DISTANCE, QUALITY = 0.355, 0.1
"""How far a good face's vector lies from its person's mean (pairs are 1.41 times that apart), and how much that varies
from face to face, in ln units, without anybody knowing."""


@dataclass(frozen=True, slots=True, eq=False)
class People:
    """Persons first, then guests. `reflectance` (P, 31); `region_steps` (P, 5, 2) own melanin and blood of regions.

    `step_de` (P, 2): ln step of melanin and of blood that is one CIEDE2000; `chroma_de` (P, 2): the same of ln R and
    ln B. `vectors` (P, 128): means; `basis` (24, 128): directions in which a face's vector varies.
    """

    n: int
    reflectance: Array
    region_steps: Array
    step_de: Array
    chroma_de: Array
    vectors: Array
    basis: Array

    def identity(self, person: npt.NDArray[np.intp], sd: Array, rng: np.random.Generator) -> Array:
        """Vectors (N, 128) of faces that lie about `sd` (N,) from their person's mean."""
        each = sd * np.exp(rng.normal(0.0, QUALITY, len(sd))) / np.sqrt(FACE_DIMENSIONS)
        noise = rng.normal(size=(len(person), FACE_DIMENSIONS)) * each[:, None]
        return np.asarray(self.vectors[person] + noise @ self.basis)


def people_of(world: World, skins: list[SkinSpectrum], camera: Camera, rng: np.random.Generator) -> People:
    """`world.people` persons and `GUESTS` guests of any skin."""
    count = world.people + GUESTS
    reflectance = np.array([skins[i].reflectance for i in rng.choice(len(skins), count, replace=len(skins) < count)])
    melanin, blood = chromophore_steps()
    more = (reflectance * np.exp(-0.02 * s) for s in (melanin, blood))
    step_de = np.stack([1.0 / _de_per(r, reflectance, camera, 0.02) for r in more], axis=1)
    basis = np.linalg.qr(rng.normal(size=(128, FACE_DIMENSIONS)))[0].T
    vectors = rng.normal(0.0, MEAN_SD, (count, MEAN_DIMENSIONS)) @ basis[:MEAN_DIMENSIONS]
    if world.alike:
        older = np.arange(0, world.people - 1, 2)
        for p in older:
            steps = rng.normal(0.0, SIBLING_DE / np.sqrt(2), 2) * step_de[p]
            reflectance[p + 1] = reflectance[p] * np.exp(-steps[0] * melanin - steps[1] * blood)
            step_de[p + 1] = step_de[p]
            apart = rng.normal(size=MEAN_DIMENSIONS)
            vectors[p + 1] = vectors[p] + SIBLING_DISTANCE * apart / np.linalg.norm(apart) @ basis[:MEAN_DIMENSIONS]
    if world.portraits:
        same = vectors[np.arange(world.people) % world.portraits]
        apart = rng.normal(0.0, PORTRAIT_DISTANCE / np.sqrt(MEAN_DIMENSIONS), (world.people, MEAN_DIMENSIONS))
        vectors[: world.people] = same + apart @ basis[:MEAN_DIMENSIONS]
    chroma = []
    for channel in (0, 2):
        shift = np.zeros(3)
        shift[channel] = 0.02
        chroma.append(1.0 / _de_per(reflectance, reflectance, camera, 0.02, np.exp(shift)))
    own = rng.normal(0.0, world.uneven_de / np.sqrt(2), (count, REGIONS, 2))
    own -= own.mean(axis=1, keepdims=True)
    common = rng.normal(size=128)
    return People(
        n=world.people,
        reflectance=reflectance,
        region_steps=SHARED_STEPS + own * step_de[:, None, :],
        step_de=step_de,
        chroma_de=np.stack(chroma, axis=1),
        vectors=vectors + common / np.linalg.norm(common),
        basis=basis,
    )


def _de_per(changed: Array, plain: Array, camera: Camera, step: float, gain: Array | float = 1.0) -> Array:
    """CIEDE2000 (P,) per ln unit between two sets of reflectances under D55, seen by one camera."""
    light = lights()["D55"]
    matrix = xyz_from_camera(camera.profile, *white_from_neutral(camera.profile, camera.see(light, np.ones(31))))
    one, other = (apply(matrix, 0.5 * camera.see(light, r) * g) for r, g in ((changed, gain), (plain, 1.0)))
    return skin_difference(one, other)[0] / step
