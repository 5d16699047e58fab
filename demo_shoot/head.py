"""Draw an invented head: depth, normals and what each pixel is made of, from a handful of numbers.

A head is a height field over rows: at height `y` the surface runs around the head with the angle `theta`,
x = width(y) sin(theta), z = depth(y) cos(theta)^0.8, plus Gaussian bumps for brow ridge, sockets, nose, lips, cheeks
and chin. Lengths are in head units: crown at y = -1.2, eye line at -0.05, chin at 1.05 (y points down), after the
common thirds of drawing: hairline to brow, brow to nose base and nose base to chin are equally long.

Nothing is lit here; `demo_shoot.shading` does that. Axes: x right, y down, z towards the camera.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter

LEFT, RIGHT, TOP, BOTTOM = -1.75, 1.75, -1.62, 2.2
EYE_Y = -0.05
FACE_BOX = (-0.72, -0.72, 0.72, 1.05)
"""Left, top, right, bottom of what detectors call the face: hairline to chin, temple to temple."""

_WIDTH = PchipInterpolator(
    [-1.22, -1.15, -1.0, -0.75, -0.4, -0.05, 0.3, 0.55, 0.75, 0.92, 1.02, 1.06],
    [0.0, 0.34, 0.55, 0.70, 0.765, 0.765, 0.72, 0.63, 0.52, 0.36, 0.18, 0.0],
)
_DEPTH = PchipInterpolator(
    [-1.22, -1.1, -0.8, -0.4, 0.0, 0.4, 0.7, 0.95, 1.06], [0.0, 0.42, 0.72, 0.82, 0.82, 0.82, 0.80, 0.70, 0.45]
)


class Material(IntEnum):
    """What a pixel is made of; the three kinds of skin are one person's base, flushed and darker skin."""

    SKIN = 0
    FLUSHED = 1
    DARKER = 2
    LIP = 3
    EYE_WHITE = 4
    IRIS = 5
    DARK = 6
    HAIR = 7
    CLOTH = 8
    COLLAR = 9


N_MATERIALS = len(Material)


@dataclass(frozen=True)
class Build:
    """The shape of one head. Factors are around 1; `hair` is "short", "long", "bun" or "bald"."""

    width: float = 1.0
    jaw: float = 1.0
    eye_spacing: float = 1.0
    eye_size: float = 1.0
    nose_width: float = 1.0
    nose_length: float = 1.0
    lip_fullness: float = 1.0
    brow_weight: float = 1.0
    hair: str = "short"
    hairline: float = -0.80
    beard: float = 0.0
    smile: float = 0.0
    flush: float = 0.5


@dataclass(frozen=True)
class HeadMaps:
    """One drawn head. All (h, w): `alpha` coverage, `depth` towards the camera, `cavity` 0..1 (1 open, 0 hidden).

    `normals` (h, w, 3), `materials` (h, w, N_MATERIALS) shares that sum to 1 where anything is, `gloss` 0..1,
    `skin_mask` bool: bare facial skin where a portrait's colour is judged (cheeks, forehead, nose, chin).
    `scale` is pixels per head unit, `origin` the pixel (x, y) of the head's centre (x = 0, y = 0).
    """

    alpha: np.ndarray
    depth: np.ndarray
    normals: np.ndarray
    cavity: np.ndarray
    materials: np.ndarray
    gloss: np.ndarray
    skin_mask: np.ndarray
    scale: float
    origin: tuple[float, float]


def draw_head(build: Build, scale: float, yaw_deg: float = 0.0) -> HeadMaps:
    """One head, neck and shoulders at `scale` pixels per head unit, turned by `yaw_deg` (positive: to our right)."""
    xs = np.arange(LEFT, RIGHT, 1.0 / scale).astype(np.float32)  # single precision: half the memory, twice as fast
    ys = np.arange(TOP, BOTTOM, 1.0 / scale).astype(np.float32)
    grid_x, grid_y = np.meshgrid(xs, ys)
    pixel = 1.0 / scale
    canvas = _Canvas(grid_x.shape)
    _hair_behind(canvas, build, grid_x, grid_y, pixel)
    _shoulders(canvas, build, grid_x, grid_y, pixel)
    _ears(canvas, build, grid_x, grid_y, pixel, yaw_deg)
    _face(canvas, build, xs, ys, pixel, yaw_deg)
    normals = _normals(canvas.depth, pixel)
    # each layer has its own depth: no slope across the borders between layers
    blurred = gaussian_filter(canvas.depth, 0.09 * scale)
    cavity = np.clip(1.0 - 2.2 * np.clip(blurred - canvas.depth, 0.0, 0.3) * (canvas.layer == 4), 0.35, 1.0)
    total = np.maximum(canvas.materials.sum(axis=-1, keepdims=True), 1e-6)
    return HeadMaps(
        canvas.alpha,
        canvas.depth,
        normals,
        cavity * canvas.shade,
        canvas.materials / total,
        canvas.gloss,
        canvas.skin_mask,
        scale,
        (-LEFT * scale, -TOP * scale),
    )


class _Canvas:
    """Layers painted over each other, back to front."""

    def __init__(self, shape: tuple[int, int]) -> None:
        self.alpha = np.zeros(shape, np.float32)
        self.depth = np.zeros(shape, np.float32)
        self.layer = np.zeros(shape, np.int8)
        self.shade = np.ones(shape, np.float32)
        self.gloss = np.zeros(shape, np.float32)
        self.materials = np.zeros((*shape, N_MATERIALS), np.float32)
        self.skin_mask = np.zeros(shape, bool)

    def lay(self, layer: int, cover: np.ndarray, depth: np.ndarray, material: Material) -> None:
        """Paint one layer of one material."""
        part = _extent(cover)
        self.materials[part] *= 1.0 - cover[part][..., None]
        self.materials[part][..., material] += cover[part]
        self._finish(layer, cover, depth)

    def lay_shares(self, layer: int, cover: np.ndarray, depth: np.ndarray, shares: np.ndarray) -> None:
        """Paint one layer whose materials differ from place to place."""
        part = _extent(cover)
        here = cover[part][..., None]
        self.materials[part] *= 1.0 - here
        self.materials[part] += shares[part] * here
        self._finish(layer, cover, depth)

    def _finish(self, layer: int, cover: np.ndarray, depth: np.ndarray) -> None:
        front = cover > 0.5
        self.alpha += (1.0 - self.alpha) * cover
        self.depth[front] = depth[front]
        self.layer[front] = layer
        self.gloss *= 1.0 - cover
        self.shade = self.shade * (1.0 - cover) + cover


def _extent(cover: np.ndarray) -> tuple[slice, slice]:
    """The rectangle outside which nothing is covered."""
    rows, columns = np.flatnonzero(cover.any(axis=1)), np.flatnonzero(cover.any(axis=0))
    if not rows.size:
        return slice(0, 0), slice(0, 0)
    return slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)


def _soft(distance: np.ndarray, edge: float) -> np.ndarray:
    """0..1 over `edge` around distance 0; positive distances are inside."""
    return np.clip(distance / edge + 0.5, 0.0, 1.0)


def _smooth(low: float, high: float, value: np.ndarray) -> np.ndarray:
    t = np.clip((value - low) / (high - low), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def _bump(x: np.ndarray, y: np.ndarray, cx: float, cy: float, sx: float, sy: float) -> np.ndarray:
    return np.exp(-0.5 * (((x - cx) / sx) ** 2 + ((y - cy) / sy) ** 2))


def _pair(x: np.ndarray, y: np.ndarray, cx: float, cy: float, sx: float, sy: float) -> np.ndarray:
    return _bump(np.abs(x), y, cx, cy, sx, sy)


def _normals(depth: np.ndarray, pixel: float) -> np.ndarray:
    dy, dx = np.gradient(depth, pixel)
    limit = 4.0  # steeper than any real slope: a jump between layers
    normal = np.stack([-np.clip(dx, -limit, limit), -np.clip(dy, -limit, limit), np.ones_like(depth)], axis=-1)
    return normal / np.linalg.norm(normal, axis=-1, keepdims=True)


def _widths(build: Build, y: np.ndarray) -> np.ndarray:
    inside = (y > -1.22) & (y < 1.06)
    jaw = 1.0 + (build.jaw - 1.0) * _smooth(0.2, 0.8, y)
    return np.where(inside, _WIDTH(np.clip(y, -1.22, 1.06)) * build.width * jaw, 0.0)


def _hair_behind(canvas: _Canvas, build: Build, x: np.ndarray, y: np.ndarray, pixel: float) -> None:
    if build.hair == "bald":
        return
    puff = {"short": 0.07, "bun": 0.08, "long": 0.14}[build.hair]
    radius = np.hypot(x / (0.77 * build.width + puff), (y + 0.2) / (1.02 + puff))
    inside = (1.0 - radius) * 0.8
    if build.hair == "long":
        fall = 0.98 - np.maximum(np.abs(x) - 0.10 * _smooth(0.0, 1.4, y), 0.0)
        inside = np.maximum(inside, np.minimum.reduce([fall - 0.05, y + 0.3, 1.45 - y]) * 0.8)
    if build.hair == "bun":
        inside = np.maximum(inside, 0.30 - np.hypot(x, y + 1.25))
    if build.hair == "short":
        inside = np.minimum(inside, 0.25 - y)
    shares = np.zeros((*x.shape, N_MATERIALS), np.float32)
    shares[..., Material.DARK] = _strands(x, y)
    shares[..., Material.HAIR] = 1.0 - shares[..., Material.DARK]
    wave = 0.01 * np.sin(34.0 * x + 5.0 * np.sin(3.0 * y))
    canvas.lay_shares(1, _soft(inside, 2.0 * pixel), -0.3 + 0.5 * np.clip(inside, 0.0, 1.0) + wave, shares)


def _strands(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """0..1: how dark the gaps between strands of hair are."""
    bent = x * (1.0 + 0.15 * y) + 0.03 * np.sin(4.0 * y)
    return 0.16 * (1.0 + np.sin(61.0 * bent + 3.0 * np.sin(17.0 * bent))) * (0.7 + 0.3 * np.sin(5.0 * y + 23.0 * bent))


def _shoulders(canvas: _Canvas, build: Build, x: np.ndarray, y: np.ndarray, pixel: float) -> None:
    neck_half = 0.46 * build.width * (1.0 + 0.25 * _smooth(1.15, 1.6, y))
    neck = np.minimum(neck_half - np.abs(x), y - 0.35)
    round_ = np.sqrt(np.clip(1.0 - (x / neck_half) ** 2, 0.0, 1.0))
    cover = _soft(neck, 2.0 * pixel)
    canvas.lay(2, cover, 0.45 * round_ - 0.15, Material.SKIN)
    # the chin keeps light from the neck
    canvas.shade = np.where(cover > 0.5, 0.45 + 0.5 * _smooth(0.95, 1.5, y + 0.25 * np.abs(x)), canvas.shade)
    slope = 1.34 + 0.34 * (np.abs(x) / 1.5) ** 1.4 + 0.5 * _smooth(1.25, 1.75, np.abs(x)) ** 2
    body = np.minimum(y - slope + 0.22 * np.exp(-((x / 0.36) ** 2)) * -1.0, 1.68 - np.abs(x))
    bulge = 0.5 * np.sqrt(np.clip(1.0 - (x / 1.7) ** 2, 0.0, 1.0)) + 0.35 * np.sqrt(np.clip(y - slope, 0.0, 0.5))
    folds = 0.015 * np.sin(9.0 * x + 4.0 * y)
    canvas.lay(3, _soft(body, 2.0 * pixel), bulge + folds - 0.3, Material.CLOTH)
    collar = np.minimum(body, 0.07 - np.abs(y - slope - 0.2 * np.exp(-((x / 0.36) ** 2)) - 0.06))
    collar = np.minimum(collar, 0.62 - np.abs(x))
    canvas.lay(3, _soft(collar, 2.0 * pixel), bulge - 0.27, Material.COLLAR)


def _ears(canvas: _Canvas, build: Build, x: np.ndarray, y: np.ndarray, pixel: float, yaw_deg: float) -> None:
    if build.hair == "long":
        return
    turn = np.sin(np.radians(yaw_deg))
    for side in (-1.0, 1.0):
        centre = side * (0.77 * build.width + 0.02) - 0.25 * turn
        radius = np.hypot((x - centre) / 0.10, (y - 0.10) / 0.22)
        depth = -0.2 + 0.10 * np.sqrt(np.clip(1.0 - radius**2, 0.0, 1.0)) - 0.05 * np.exp(-((radius / 0.5) ** 2))
        canvas.lay(3, _soft((1.0 - radius) * 0.1, 2.0 * pixel), depth, Material.FLUSHED)


def _relief(build: Build, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Bumps on the smooth head, towards the camera."""
    eye_x = 0.31 * build.eye_spacing
    nose_end = 0.36 * build.nose_length
    rise = _smooth(-0.22, nose_end, y) * (1.0 - _smooth(nose_end + 0.015, nose_end + 0.10, y))
    bridge = (0.06 + 0.20 * rise) * (_smooth(-0.34, -0.12, y) * (1.0 - _smooth(nose_end, nose_end + 0.10, y)))
    z = bridge * np.exp(-0.5 * (x / (0.062 + 0.04 * build.nose_width * _smooth(-0.1, nose_end, y))) ** 2)
    z += 0.09 * _bump(x, y, 0.0, nose_end - 0.03, 0.085 * build.nose_width, 0.075)
    z += 0.085 * _pair(x, y, 0.125 * build.nose_width, nose_end + 0.005, 0.05, 0.05)
    z += 0.055 * _pair(x, y, 0.26, -0.23, 0.20, 0.07) - 0.13 * _pair(x, y, eye_x, EYE_Y - 0.01, 0.17, 0.09)
    z += 0.075 * _pair(x, y, eye_x, EYE_Y, 0.105, 0.07)
    z += 0.05 * _bump(x, y, 0.0, 0.56, 0.24, 0.16) + 0.07 * _pair(x, y, 0.43, 0.16, 0.19, 0.19)
    z += 0.05 * build.lip_fullness * _bump(x, y, 0.0, 0.555, 0.17, 0.035)
    z += 0.065 * build.lip_fullness * _bump(x, y, 0.0, 0.665, 0.15, 0.045) - 0.035 * _bump(
        x, y, 0.0, 0.605, 0.12, 0.016
    )
    z += 0.06 * _bump(x, y, 0.0, 0.93, 0.17, 0.10) - 0.045 * _bump(x, y, 0.0, 0.775, 0.18, 0.045)
    fold = np.abs(np.abs(x) - (0.20 + 0.30 * (y - 0.35)))
    z -= (
        (0.02 + 0.02 * build.smile)
        * np.exp(-0.5 * (fold / 0.025) ** 2)
        * _smooth(0.33, 0.42, y)
        * (1 - _smooth(0.6, 0.72, y))
    )
    return z


def _face(canvas: _Canvas, build: Build, xs: np.ndarray, ys: np.ndarray, pixel: float, yaw_deg: float) -> None:
    """The front of the head, turned: every row is walked around and read off where the camera sees it."""
    rows = np.flatnonzero((ys > -1.21) & (ys < 1.055))
    theta = np.radians(np.linspace(-100.0, 100.0, 361))[None, :]
    y = ys[rows][:, None]
    width, depth = _widths(build, y), _DEPTH(y)
    x = width * np.sin(theta)
    z = depth * np.sign(np.cos(theta)) * np.abs(np.cos(theta)) ** 0.8
    z = z + _relief(build, x, y + 0.0 * x) * np.clip(np.cos(theta), 0.0, 1.0) ** 0.5
    cos, sin = np.cos(np.radians(yaw_deg)), np.sin(np.radians(yaw_deg))
    seen_x, seen_z = x * cos + z * sin, z * cos - x * sin
    shape = (len(rows), len(xs))
    face_x, face_z = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    inside = np.full(shape, -1.0, np.float32)
    for i in range(len(rows)):
        low, high = int(np.argmin(seen_x[i])), int(np.argmax(seen_x[i]))
        if high - low < 3:
            continue
        along = np.maximum.accumulate(seen_x[i, low : high + 1])
        face_x[i] = np.interp(xs, along, x[i, low : high + 1])
        face_z[i] = np.interp(xs, along, seen_z[i, low : high + 1])
        inside[i] = np.minimum(xs - along[0], along[-1] - xs)
    face_y = y + np.zeros(shape)
    cover = _soft(np.minimum(inside, np.minimum(face_y + 1.21, 1.055 - face_y)), 2.0 * pixel)
    shares, gloss, mask = _paint(build, face_x, face_y, pixel)
    full = np.zeros((*canvas.alpha.shape, N_MATERIALS), np.float32)
    full[rows] = shares

    def rowed(values: np.ndarray) -> np.ndarray:
        out = np.zeros(canvas.alpha.shape, np.float32)
        out[rows] = values
        return out

    canvas.lay_shares(4, rowed(cover), rowed(face_z), full)
    canvas.gloss = canvas.gloss + rowed(gloss * cover)
    canvas.skin_mask |= rowed((mask & (cover > 0.99)).astype(float)) > 0.5


def _paint(build: Build, x: np.ndarray, y: np.ndarray, pixel: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Material shares, gloss and the mask of bare facial skin, in head coordinates."""
    edge = 1.6 * pixel
    shares = np.zeros((*x.shape, N_MATERIALS), np.float32)
    side = np.abs(x)
    eye_x, nose_end = 0.31 * build.eye_spacing, 0.36 * build.nose_length
    flushed = build.flush * (
        0.75 * _pair(x, y, 0.44, 0.20, 0.16, 0.14) + 0.6 * _bump(x, y, 0.0, nose_end, 0.12, 0.10)
        + 0.3 * _bump(x, y, 0.0, 0.92, 0.16, 0.08)
    )  # fmt: skip
    mottle = np.sin(83.0 * x + 31.0 * y) * np.sin(97.0 * y - 29.0 * x) + np.sin(41.0 * x - 53.0 * y) * np.sin(37.0 * y)
    flushed = flushed + 0.06 * mottle
    darker = (
        0.06
        - 0.06 * mottle
        + 0.5 * _pair(x, y, eye_x, EYE_Y + 0.02, 0.17, 0.09)
        + 0.35 * _bump(x, y, 0.0, -0.70, 0.6, 0.16)
    )
    shares[..., Material.FLUSHED] = np.clip(flushed, 0.0, 1.0)
    shares[..., Material.DARKER] = np.clip(darker, 0.0, 1.0 - shares[..., Material.FLUSHED])
    shares[..., Material.SKIN] = 1.0 - shares[..., Material.FLUSHED] - shares[..., Material.DARKER]
    covered = np.zeros_like(x)

    def over(cover: np.ndarray, material: Material, strength: float = 1.0) -> None:
        cover = np.clip(cover, 0.0, 1.0) * strength
        part = _extent(cover)
        here = cover[part]
        shares[part] *= 1.0 - here[..., None]
        shares[part][..., material] += here
        covered[part] = np.maximum(covered[part], here)

    # beard, a soft shadow over jaw and upper lip
    if build.beard > 0.0:
        jaw = _smooth(0.42, 0.62, y + 0.55 * np.clip(side - 0.25, 0.0, 1.0))
        over(jaw * (1.0 - _bump(x, y, 0.0, 0.61, 0.26, 0.09)), Material.HAIR, build.beard)
    # lips: a bow above, a fuller curve below, the line between them
    half = 0.245 + 0.03 * build.smile
    t = np.clip(side / half, 0.0, 1.0)
    line = 0.605 - 0.045 * build.smile * t**2
    upper = line - 0.062 * build.lip_fullness * (1.0 - t**2) * (1.0 - 0.22 * np.exp(-((x / 0.045) ** 2)))
    lower = line + 0.095 * build.lip_fullness * (1.0 - t**2.2)
    over(_soft(np.minimum(y - upper, lower - y), 2.0 * edge) * (side < half), Material.LIP, 0.9)
    over(_soft(0.011 * (1.0 - t**4) - np.abs(y - line), edge) * (side < half), Material.DARK, 0.75)
    # nostrils
    nostril = 1.0 - np.hypot((side - 0.075 * build.nose_width) / 0.045, (y - nose_end - 0.065) / 0.022)
    over(_soft(nostril * 0.03, edge), Material.DARK, 0.8)
    # eyes: white, iris, pupil, lids and lashes
    size = build.eye_size
    u = (side - eye_x) / (0.155 * size)
    lid = np.clip(1.0 - u**2, 0.0, 1.0)
    top = EYE_Y - 0.078 * size * lid**0.8
    low = EYE_Y + 0.052 * size * lid
    opening = _soft(np.minimum(y - top, low - y), edge) * (np.abs(u) < 1.0)
    over(opening, Material.EYE_WHITE)
    distance = np.hypot(side - eye_x, y - EYE_Y + 0.012)
    over(opening * _soft(0.074 * size - distance, edge), Material.IRIS)
    over(opening * _soft(0.034 * size - distance, edge), Material.DARK)
    over(opening * _soft(top + 0.03 * size - y, 3.0 * edge), Material.DARK, 0.45)
    over(_soft(0.013 - np.abs(y - top), edge) * (np.abs(u) < 1.05) * (lid > 0.02), Material.DARK, 0.9)
    over(_soft(0.006 - np.abs(y - low), edge) * (np.abs(u) < 1.0), Material.DARK, 0.35)
    crease = np.abs(y - (EYE_Y - 0.06 - 0.075 * size * lid**0.7))
    over(_soft(0.007 - crease, 2.0 * edge) * (np.abs(u) < 1.0), Material.DARKER, 0.8)
    # brows
    v = np.clip((side - 0.13) / 0.38, 0.0, 1.0)
    brow = -0.215 - 0.075 * np.sin(np.pi * v**0.8 * 0.82)
    thick = (0.036 - 0.02 * v) * build.brow_weight
    over(
        _soft(thick - np.abs(y - brow), 2.5 * edge) * _soft(side - 0.13, 0.04) * _soft(0.51 - side, 0.04),
        Material.HAIR,
        0.85,
    )
    over(
        _soft(0.7 * thick - np.abs(y - brow), 2.0 * edge) * _soft(side - 0.14, 0.04) * _soft(0.49 - side, 0.04),
        Material.DARK,
        0.3,
    )
    # hair over forehead and temples
    if build.hair != "bald":
        line_y = build.hairline + 0.34 * _smooth(0.35, 0.72, side) + 0.007 * np.sin(23.0 * x)
        temple = 0.66 * build.width if build.hair != "long" else 0.60 * build.width
        sideburn = np.minimum(side - temple, (0.15 if build.hair != "long" else 0.9) - y)
        hair = _soft(np.maximum(line_y - y, sideburn), 0.05)
        over(hair, Material.HAIR)
        over(hair * _strands(x, y), Material.DARK)
    gloss = (1.0 - covered) * (
        0.35 + 0.5 * _bump(x, y, 0.0, nose_end - 0.05, 0.05, 0.06) + 0.4 * _bump(x, y, 0.0, -0.5, 0.3, 0.15)
    )
    gloss = gloss + opening * 1.2
    mask = (covered < 0.03) & (side < 0.62) & (y > -0.68) & (y < 0.95)
    mask &= _pair(x, y, eye_x, EYE_Y, 0.21, 0.14) < 0.6
    mask &= ~((np.abs(y - 0.61) < 0.14) & (side < 0.31))
    return shares, gloss, mask
