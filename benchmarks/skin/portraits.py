"""Two openly licensed portraits taken apart into shading, melanin, blood and what is no skin.

`skimage.data.astronaut()` (NASA, public domain) and Grace Hopper's portrait in matplotlib's sample data (US Navy,
public domain).
Per pixel, ln RGB relative to the face's mean is explained by three numbers: shading, a step of melanin and a
step of blood (their effect on linear sRGB under D65). What remains of the picture after that is the person's own
texture, to be carried over to any other skin spectrum.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from benchmarks.skin.lights import lights
from benchmarks.skin.spectra import WAVELENGTH_NM, Array, chromophore_steps, model_reflectance
from xmpsync.faces.detector import Detector
from xmpsync.faces.mesh import Mesh

OVAL = (10, 338, 297, 332, 284, 251, 389, 356, 454, 323, 361, 288, 397, 365, 379, 378, 400, 377, 152, 148, 176, 149,
        150, 136, 172, 58, 132, 93, 234, 127, 162, 21, 54, 103, 67, 109)  # fmt: skip
RIGHT_EYE = (33, 7, 163, 144, 145, 153, 154, 155, 133, 173, 157, 158, 159, 160, 161, 246)
LEFT_EYE = (263, 249, 390, 373, 374, 380, 381, 382, 362, 398, 384, 385, 386, 387, 388, 466)
LIPS = (61, 146, 91, 181, 84, 17, 314, 405, 321, 375, 291, 409, 270, 269, 267, 0, 37, 39, 40, 185)
RIGHT_BROW = (70, 63, 105, 66, 107, 55, 65, 52, 53, 46)
LEFT_BROW = (300, 293, 334, 296, 336, 285, 295, 282, 283, 276)
"""Outlines in the canonical face mesh of 468 points."""
NATURAL_SPREAD = 0.095
"""Most sd of ln R/G over the clean skin of one face: about 3.5 dE00 of cheek against forehead."""


@dataclass(frozen=True, slots=True, eq=False)
class Portrait:
    """Maps (h, w) of one picture. `rgb` linear sRGB (h, w, 3); `skin` 0..1 how much a pixel is skin; `truth` bool:
    clean skin inside the face, away from eyes, brows, lips and outline; `mesh` (468, 2) in pixels."""

    name: str
    rgb: Array
    shading: Array
    melanin: Array
    blood: Array
    skin: Array
    truth: npt.NDArray[np.bool_]
    gloss: Array
    mesh: Array

    @property
    def face_width(self) -> float:
        return float(np.hypot(*(self.mesh[454] - self.mesh[234])))


@functools.cache
def portraits() -> tuple[Portrait, ...]:
    """The two portraits."""
    import matplotlib.cbook
    import matplotlib.image
    import skimage.data

    with matplotlib.cbook.get_sample_data("grace_hopper.jpg") as file:
        hopper = matplotlib.image.imread(file)
    return _take_apart("astronaut", skimage.data.astronaut()), _take_apart("hopper", np.asarray(hopper)[..., :3])


def _take_apart(name: str, picture: npt.NDArray[np.uint8]) -> Portrait:
    h, w = picture.shape[:2]
    detection = max(Detector().find(picture), key=lambda d: d.score)
    mesh = Mesh().fit(picture, detection).points * (w, h)
    size = float(np.hypot(*(mesh[152] - mesh[10])))
    rgb = np.maximum(_linear(picture / 255.0), 2e-3)
    oval = _inside(mesh[list(OVAL)], (h, w))
    features = _grown((RIGHT_EYE, LEFT_EYE), mesh, (h, w), 0.035 * size)
    features |= _grown((LIPS, RIGHT_BROW, LEFT_BROW), mesh, (h, w), 0.02 * size)
    nostrils = _inside(mesh[[94, 326, 327, 2, 98, 97]], (h, w))
    features |= ndimage.binary_dilation(nostrils, iterations=max(1, int(0.02 * size)))
    core = ndimage.binary_erosion(oval, iterations=max(1, int(0.05 * size))) & ~features

    logs = np.log(ndimage.gaussian_filter(rgb, (0.004 * size, 0.004 * size, 0)))
    chroma = np.stack([logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]], axis=-1)
    centre = np.median(chroma[core], axis=0)
    spread = np.maximum(1.4826 * np.median(np.abs(chroma[core] - centre), axis=0), 0.03)
    distance = np.sqrt((((chroma - centre) / spread) ** 2).sum(axis=-1))
    level = logs[..., 1] - np.median(logs[..., 1][core])
    # inside the oval everything but eyes and brows is some kind of skin (lips: much blood); outside only what looks it
    bare = oval & ~_grown((RIGHT_EYE, LEFT_EYE, RIGHT_BROW, LEFT_BROW), mesh, (h, w), 0.01 * size)
    reach = np.where(bare, 14.0, 5.0)
    likeness = np.clip((reach - distance) / 2.0, 0.0, 1.0) * np.clip((level + 2.2) / 0.6, 0.0, 1.0)
    near_face = ndimage.binary_dilation(oval, iterations=int(0.10 * size))
    near_face |= np.roll(near_face, int(0.25 * size), axis=0) & (np.arange(h)[:, None] > mesh[152, 1])
    skin = ndimage.gaussian_filter(likeness * near_face, 0.006 * size)
    truth = core & (distance < 3.5) & (level > -1.2)
    truth = ndimage.binary_opening(truth, iterations=max(1, int(0.01 * size)))

    step_m, step_b = _rgb_steps()
    columns = np.stack([np.ones(3), -step_m, -step_b], axis=1)
    offset = logs - np.median(logs[core], axis=0)
    shading, melanin, blood = np.moveaxis(offset @ np.linalg.inv(columns).T, -1, 0)
    # A print's tone curve makes shadows redder; under one light a body's colour does not follow its shading.
    melanin, blood = (_without(values, shading, core) for values in (melanin, blood))
    # A saturated print exaggerates what is left: bring it to the spread that cheek against forehead has on people.
    scale = min(1.0, NATURAL_SPREAD / float(redness(melanin, blood)[truth].std()))
    melanin, blood = np.clip(scale * melanin, -0.5, 0.8), np.clip(scale * blood, -0.5, 0.8)
    fine = np.log(rgb[..., 1]) - logs[..., 1]
    shading = np.clip(np.where(skin > 0.02, shading, offset[..., 1]), -3.0, 1.0) + fine
    broad = ndimage.gaussian_filter(shading, 0.06 * size)
    bump = np.maximum(ndimage.gaussian_filter(shading, 0.012 * size) - broad, 0.0)
    top = np.quantile(bump[truth], 0.98)
    gloss = np.clip(bump / max(top, 1e-6), 0.0, 1.5) ** 1.5
    return Portrait(name, rgb, np.exp(shading), melanin, blood, skin, truth, gloss, mesh)


def redness(melanin: Array, blood: Array) -> Array:
    """ln R/G that steps of melanin and blood add, linear sRGB under D65."""
    step_m, step_b = _rgb_steps()
    return np.asarray(-(melanin * (step_m[0] - step_m[1]) + blood * (step_b[0] - step_b[1])))


def cloud(shape: tuple[int, int], width: float, rng: np.random.Generator) -> Array:
    """A smooth random field (h, w) of sd 1."""
    step = max(1, int(width / 2))
    coarse = rng.normal(size=(shape[0] // step + 3, shape[1] // step + 3))
    coarse = ndimage.gaussian_filter(coarse, 2.0)
    fine = ndimage.zoom(coarse, step, order=1)[: shape[0], : shape[1]]
    return np.asarray((fine - fine.mean()) / fine.std())


@functools.cache
def _rgb_steps() -> tuple[Array, Array]:
    """-d ln(linear sRGB) for a step of melanin and of blood under D65 (3,)."""
    import colour

    shape = colour.SpectralShape(400, 700, 10)
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values
    rgb_from_xyz = colour.RGB_COLOURSPACES["sRGB"].matrix_XYZ_to_RGB
    sensitivity = lights()["D65"].power[:, None] * (cmfs @ rgb_from_xyz.T)
    base = model_reflectance(4e-4, 0.02)
    seen = base @ sensitivity
    melanin, blood = chromophore_steps()
    return tuple(-np.log((base * np.exp(-0.1 * s)) @ sensitivity / seen) / 0.1 for s in (melanin, blood))  # type: ignore[return-value]


def _inside(polygon: Array, shape: tuple[int, int]) -> npt.NDArray[np.bool_]:
    from skimage.draw import polygon2mask

    return np.asarray(polygon2mask(shape, polygon[:, ::-1]))


def _without(values: Array, shading: Array, where: npt.NDArray[np.bool_]) -> Array:
    """`values` less their straight-line dependence on shading inside `where`."""
    slope = np.polyfit(shading[where], values[where], 1)[0]
    return np.asarray(values - slope * np.clip(shading, -1.5, 1.0))


def _grown(
    outlines: tuple[tuple[int, ...], ...], mesh: Array, shape: tuple[int, int], by_px: float
) -> npt.NDArray[np.bool_]:
    found = np.zeros(shape, dtype=bool)
    for outline in outlines:
        found |= ndimage.binary_dilation(_inside(mesh[list(outline)], shape), iterations=max(1, int(by_px)))
    return found


def _linear(srgb: Array) -> Array:
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def paint_reflectances() -> Array:
    """Reflectances (3, 31) of the linear sRGB primaries (Mallett & Yuksel 2019, from colour-science)."""
    import colour

    basis = colour.recovery.MSDS_BASIS_FUNCTIONS_sRGB_MALLETT2019
    return np.stack([np.interp(WAVELENGTH_NM, basis.wavelengths, basis.values[:, k]) for k in range(3)])
