"""One relit face as a camera sees it: cells with noise, places, and the truth.

Truth: the noise-free diffuse camera colour (no surface reflection) of clean skin (`Portrait.truth`), its linear mean
over the half of it that the scene's shading makes brighter; with two lights, of the side that the
second does not reach.
It is taken from the portrait at its own resolution, so that it knows nothing of the frame's size, noise or clipping.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from benchmarks.skin.cameras import Camera
from benchmarks.skin.lights import Light
from benchmarks.skin.portraits import Portrait, cloud, paint_reflectances
from benchmarks.skin.spectra import Array, chromophore_steps
from xmpsync.records import Box, Vec2, Vec3
from xmpsync.skin.records import Cells, NoiseModel

WHITE_AT_ZERO_EV = 0.75
"""Largest channel of a white where shading is 1, at 0 EV."""
FULL_WELL_E = 50000.0
READ_E = 3.0
KEY_WIDTH = 0.10
"""Width of the turn from the bright half to the dark one, face widths."""
SHEEN_AT = ((151, 0.20), (4, 0.07), (6, 0.06), (117, 0.11), (346, 0.11), (18, 0.05))
"""Mesh points that shine first and the reach of each, face widths: forehead, tip and bridge of the nose, cheekbones,
chin."""
SHEEN_EDGE = 0.05
MARGIN = 0.35
"""Picture around the face, in face widths, that the cells cover."""


@dataclass(frozen=True, slots=True)
class Shot:
    """How one frame is taken. `second` lights one side (`side` -1 left, +1 right of the picture) with `second_share` of
    that side's light; `slope_ev` is a slope of the light across the face, in direction `slope_deg`."""

    light: Light
    iso: float = 200.0
    ev: float = 0.0
    face_cells: float = 200.0
    roll_deg: float = 0.0
    mirrored: bool = False
    gloss: float = 0.0
    slope_ev: float = 0.0
    slope_deg: float = 0.0
    second: Light | None = None
    second_share: float = 0.0
    side: int = 1
    sheen_share: float = 0.0
    sheen_strength: float = 0.0
    """A broad sheen over `sheen_share` of the face's clean skin, at its strongest `sheen_strength` of the body's own
    luminance, in the light's colour: sweat, make-up, oily skin."""
    sheen_anywhere: bool = False
    """The sheen lies in patches at random instead of forehead, nose and cheekbones first."""
    key_ev: float = 0.0
    """A key light from one side (`side`): the middle of that half is so much brighter than the other's, one light."""


@dataclass(frozen=True, slots=True, eq=False)
class Rendered:
    """The cells, the mesh (468, 2) in fractions of the picture (the cells are the whole picture), and the truth."""

    cells: Cells
    mesh: Array
    truth: Array
    truth_clipped: float
    neutral: Vec3
    other: Array | None = None
    """With two lights, the true colour of the half that the second one reaches."""


def noise_model(iso: float) -> NoiseModel:
    """Photon noise of a 50,000 electron well at ISO 100 and 3 electrons of read noise, all channels alike."""
    electron = iso / 100.0 / FULL_WELL_E
    return NoiseModel((electron,) * 3, ((READ_E * electron) ** 2,) * 3)


def render(portrait: Portrait, reflectance: Array, camera: Camera, shot: Shot, rng: np.random.Generator) -> Rendered:
    """The face under the light of `shot`, as cells."""
    step = shot.face_cells / portrait.face_width
    centre = portrait.mesh[[10, 152, 234, 454]].mean(axis=0)
    half_w = portrait.face_width * (0.5 + MARGIN)
    half_h = 1.35 * half_w
    h, w = max(8, round(2 * half_h * step)), max(8, round(2 * half_w * step))
    angle = np.radians(shot.roll_deg)
    flip = -1.0 if shot.mirrored else 1.0
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    picture_from_cell = turn @ np.diag([flip, 1.0]) / step

    def warp(values: Array, order: int = 1) -> Array:
        source = ndimage.gaussian_filter(values, 0.4 / step) if step < 1 else values
        matrix = picture_from_cell[::-1, ::-1]
        shift = centre[::-1] - 0.5 + matrix @ (0.5 - np.array([h, w]) / 2)
        return np.asarray(ndimage.affine_transform(source, matrix, shift, (h, w), order=order, mode="nearest"))

    shading, melanin, blood = warp(portrait.shading), warp(portrait.melanin), warp(portrait.blood)
    skin, gloss = np.clip(warp(portrait.skin), 0, 1), warp(portrait.gloss)
    rgb = np.stack([warp(portrait.rgb[..., k]) for k in range(3)], axis=-1)
    # centre of the bin grid: fractions of the picture
    cell_from_picture = np.linalg.inv(picture_from_cell)
    mesh = ((portrait.mesh - centre) @ cell_from_picture.T + np.array([w, h]) / 2) / (w, h)

    yy, xx = np.mgrid[0:h, 0:w]
    across = (xx + 0.5 - w / 2) / shot.face_cells
    down = (yy + 0.5 - h / 2) / shot.face_cells
    direction = np.radians(shot.slope_deg)
    slope = np.exp2(shot.slope_ev * (np.cos(direction) * across + np.sin(direction) * down))
    axis = _axis(picture_from_cell)
    slope = slope * _key(shot, np.stack([across, down], axis=-1) @ axis)
    shading = shading * slope

    def seen(light: Light) -> Array:
        body = _body(camera, light, reflectance, melanin, blood) * (skin * shading)[..., None]
        paint = rgb @ camera.see(light, paint_reflectances()) * ((1 - skin) * slope)[..., None]
        return np.asarray(body + paint)

    one = seen(shot.light)
    white_one = camera.see(shot.light, np.ones(31))
    diffuse, white = one, np.broadcast_to(white_one, one.shape)
    share_at = _share(shot, picture_from_cell)
    if shot.second is not None:
        two = seen(shot.second)
        white_two = camera.see(shot.second, np.ones(31))
        share = share_at(np.stack([across, down], axis=-1))
        diffuse = (1 - share)[..., None] * one + share[..., None] * two
        white = (1 - share)[..., None] * white_one + share[..., None] * white_two
    gain = WHITE_AT_ZERO_EV / white_one.max() * 2.0**shot.ev
    clean = gain * diffuse
    total = clean + gain * shot.gloss * (gloss * skin)[..., None] * white
    if shot.sheen_share > 0:
        sheen = warp(broad_sheen(portrait, shot.sheen_share, rng, anywhere=shot.sheen_anywhere)) * skin * slope
        own = float((reflectance * shot.light.power).sum() / shot.light.power.sum())
        total = total + gain * shot.sheen_strength * own * sheen[..., None] * white

    # the truth, on the portrait's own pixels
    ty, tx = np.nonzero(portrait.truth)
    at = (np.stack([tx, ty], axis=-1) + 0.5 - centre) @ cell_from_picture.T / shot.face_cells
    bright = portrait.shading[ty, tx] * np.exp2(shot.slope_ev * (at @ (np.cos(direction), np.sin(direction))))
    bright = bright * _key(shot, at @ axis)
    chosen, other = np.ones(len(at), dtype=bool), None
    if shot.second is not None:
        chosen = share_at(at) < 0.1 * shot.second_share
        far = share_at(at) > 0.9 * shot.second_share
        one, two = (
            _body(camera, light, reflectance, portrait.melanin[ty, tx][far], portrait.blood[ty, tx][far])
            for light in (shot.light, shot.second)
        )
        other = (gain * ((1 - shot.second_share) * one + shot.second_share * two)).mean(axis=0)
    chosen &= bright >= np.median(bright[chosen])
    body = _body(camera, shot.light, reflectance, portrait.melanin[ty, tx][chosen], portrait.blood[ty, tx][chosen])
    seen_truth = gain * body * bright[chosen][:, None]
    noise = noise_model(shot.iso)
    cells = expose(total, noise, rng)
    return Rendered(
        cells=cells,
        mesh=mesh,
        truth=seen_truth.mean(axis=0),
        truth_clipped=float((seen_truth >= 1.0).any(axis=-1).mean()),
        neutral=tuple(float(v) for v in white_one / white_one.max()),  # type: ignore[arg-type]
        other=other,
    )


def _share(shot: Shot, picture_from_cell: Array) -> Callable[[Array], Array]:
    """Share of the second light at points (..., 2) in face widths from the middle; the axis turns with the face."""
    axis = _axis(picture_from_cell)

    def at(points: Array) -> Array:
        return np.asarray(shot.second_share / (1 + np.exp(-shot.side * (points @ axis) / 0.06)))

    return at


def _axis(picture_from_cell: Array) -> Array:
    """The face's own left-to-right direction in the picture."""
    axis = np.linalg.inv(picture_from_cell) @ np.array([1.0, 0.0])
    return np.asarray(axis / np.hypot(*axis))


def _key(shot: Shot, along: Array) -> Array:
    """Brightness of the key light at places `along` the face's axis, face widths from the middle; 1 there."""
    return np.asarray(np.exp2(shot.key_ev * (1 / (1 + np.exp(-shot.side * along / KEY_WIDTH)) - 0.5)))


def broad_sheen(portrait: Portrait, share: float, rng: np.random.Generator, *, anywhere: bool = False) -> Array:
    """A sheen (h, w), 0..1, over `share` of the clean skin: forehead, nose and cheekbones first (`anywhere`: in patches
    at random), soft borders, uneven inside, other borders in every frame."""
    h, w = portrait.truth.shape
    size = portrait.face_width
    yy, xx = np.mgrid[0:h, 0:w]
    field = np.zeros((h, w))
    for point, radius in SHEEN_AT:
        x, y = portrait.mesh[point]
        field = np.maximum(field, np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / (2 * (radius * size) ** 2)))
    field += 0.25 * cloud((h, w), 0.10 * size, rng)
    if anywhere:
        field = cloud((h, w), 0.12 * size, rng)
    edge = np.quantile(field[portrait.truth], 1 - share)
    inside = 1 / (1 + np.exp(-(field - edge) / SHEEN_EDGE))
    return np.asarray(inside * np.clip(0.75 + 0.25 * cloud((h, w), 0.08 * size, rng), 0.2, 1.0))


def expose(total: Array, noise: NoiseModel, rng: np.random.Generator) -> Cells:
    """Photosites R, G, G, B of every cell with noise, cut off at the white level, averaged per channel."""
    sites = total[..., (0, 1, 1, 2)]
    variance = np.asarray(noise.scale)[[0, 1, 1, 2]] * sites + np.asarray(noise.offset)[[0, 1, 1, 2]]
    seen = np.minimum(sites + rng.normal(size=sites.shape) * np.sqrt(variance), 1.0)
    clipped: npt.NDArray[np.bool_] = np.asarray((seen >= 1.0).any(axis=-1))
    camera = np.stack([seen[..., 0], seen[..., 1:3].mean(axis=-1), seen[..., 3]], axis=-1).astype(np.float32)
    return Cells(camera, clipped, Box(0.0, 0.0, 1.0, 1.0), noise)


def _body(camera: Camera, light: Light, reflectance: Array, melanin: Array, blood: Array) -> Array:
    """Camera values (h, w, 3) at shading 1 of skin with the portrait's own melanin and blood (a cubic in both)."""
    step_m, step_b = chromophore_steps()
    m, b = np.meshgrid(np.linspace(-0.5, 0.8, 5), np.linspace(-0.5, 0.8, 5), indexing="ij")
    m, b = m.ravel(), b.ravel()
    bodies = np.minimum(reflectance * np.exp(-m[:, None] * step_m - b[:, None] * step_b), 1.0)
    logs = np.log(camera.see(light, bodies))
    terms = np.stack([np.ones_like(m), m, b, m * m, m * b, b * b, m**3, b**3], axis=1)
    fit = np.linalg.lstsq(terms, logs, rcond=None)[0]
    maps = np.stack(
        [np.ones_like(melanin), melanin, blood, melanin**2, melanin * blood, blood**2, melanin**3, blood**3], axis=-1
    )
    return np.asarray(np.exp(maps @ fit))


def jitter(mesh: Array, rng: np.random.Generator, amount: float) -> Array:
    """The mesh as a finder would see it: moved, scaled, turned, and each point displaced by a smooth error.

    `amount` in face heights: about the median shift of a point.
    """
    top, bottom = mesh[10], mesh[152]
    height = float(np.hypot(*(bottom - top)))
    centre = mesh.mean(axis=0)
    scale, angle = 1 + amount * rng.normal(), amount * rng.normal()
    turn = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.asarray((mesh - centre) @ turn.T + centre + amount * height * rng.normal(size=2) * 0.8)


def polygon(points: Array) -> tuple[Vec2, ...]:
    """A polygon (n, 2) as nested tuples."""
    return tuple((float(x), float(y)) for x, y in points)
