"""Heads with depth: the portraits turned sideways, or lit from one side.

Packages carry no openly licensed pictures of heads in profile. So the face mesh gives each portrait its depth, an
ellipsoid the rest of the head, and the pixels are moved as points (nearer ones win). The side of the head that the
portrait does not show takes the colour of its hair. Believable to about 65 degrees; a full profile is not measured.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy import ndimage
from scipy.interpolate import LinearNDInterpolator

from benchmarks.faces.portraits import Portrait
from xmpsync.faces.balance import picture_for_detection
from xmpsync.faces.detector import Detector
from xmpsync.faces.identity import similarity
from xmpsync.faces.mesh import Mesh

FINER = 2.5
"""Points a pixel, each way, so that a stretched cheek has no holes."""


@dataclass(frozen=True)
class Depth:
    """Distance from the viewer (h, w) in the portrait's pixels, that of the ellipsoid alone, that of the head's axis,
    the mesh (468, 3), and where the mesh lies (h, w)."""

    front: np.ndarray
    skull: np.ndarray
    middle: float
    mesh: np.ndarray
    face: np.ndarray


@lru_cache
def _mesh(name: str) -> np.ndarray:
    from benchmarks.faces.portraits import portraits

    (person,) = (p for p in portraits() if p.name == name)
    picture = picture_for_detection(person.linear, (1.0, 1.0, 1.0))
    mesh, best = Mesh(), max(Detector().look(picture), key=lambda d: d.score)
    fit = mesh.fit(picture, best)
    size = np.array([picture.shape[1], picture.shape[0]], dtype=float)
    flat = fit.points * size
    side = 1.5 * float(np.ptp(flat, axis=0).max())
    centre = (flat.min(axis=0) + flat.max(axis=0)) / 2
    points, _ = mesh._run(picture, centre, side, np.array([1.0, 0.0]))
    return points


SKULLS = {"collins": (228.0, 88.0, 75.0, 74.0), "hopper": (260.0, 178.0, 110.0, 153.0)}
"""Centre and half axes of hair and hat, read from the portraits; with the mesh's oval they make the head's outline."""


@lru_cache
def depth(name: str, shape: tuple[int, int]) -> Depth:
    """The depth of a portrait: the mesh inside the face, an ellipsoid around it."""
    points = _mesh(name)
    cx, cy, rx, ry = SKULLS[name]
    ys, xs = np.mgrid[0 : shape[0], 0 : shape[1]] + 0.5
    round_ = rx * (1 - np.sqrt(np.clip(1 - ((xs - cx) / rx) ** 2 - ((ys - cy) / ry) ** 2, 0, 1)))
    face = LinearNDInterpolator(points[:, :2], points[:, 2])(xs, ys)
    inside = np.isfinite(face)
    edge = inside & ~ndimage.binary_erosion(inside, iterations=3) & (round_ < rx)
    offset = float(np.median((face - round_)[edge]))
    front = ndimage.gaussian_filter(np.where(inside, np.nan_to_num(face), round_ + offset), 0.01 * ry)
    return Depth(front, round_ + offset, offset + rx, points, inside)


def turned_head(person: Portrait, yaw_deg: float) -> Portrait:
    """The portrait with its head turned about its own vertical, before its own shoulders; positive: to the right."""
    shape = (person.linear.shape[0], person.linear.shape[1])
    known = depth(person.name, shape)
    cx, cy, rx, ry = SKULLS[person.name]
    cos, sin = np.cos(np.radians(yaw_deg)), np.sin(np.radians(yaw_deg))
    ys, xs = np.mgrid[0 : shape[0], 0 : shape[1]] + 0.5
    skull = ((xs - cx) / rx) ** 2 + ((ys - cy) / ry) ** 2 < 0.96
    hair = _hair(person)
    # what of the background lies inside the ellipse, light in either portrait, becomes hair
    wall = (
        (person.linear.mean(axis=-1) > 0.3) & ~ndimage.binary_dilation(known.face, iterations=6) & (ys > cy - 0.3 * ry)
    )
    front = _points(np.where(wall[..., None], hair, person.linear), known.front, known.face | skull)
    back = _points(hair, 2 * known.middle - known.skull, skull)
    x, y, z, colour = (np.concatenate([a, b]) for a, b in zip(front, back, strict=True))
    new_x = cx + cos * (x - cx) - sin * (z - known.middle)
    order = np.argsort(-(sin * (x - cx) + cos * (z - known.middle)), kind="stable")
    column, row = np.floor(new_x[order]).astype(int), np.floor(y[order]).astype(int)
    good = (column >= 0) & (column < shape[1]) & (row >= 0) & (row < shape[0])
    out, seen = np.zeros_like(person.linear), np.zeros(shape, bool)
    out[row[good], column[good]] = colour[order][good]
    seen[row[good], column[good]] = True
    head = ndimage.binary_opening(ndimage.binary_closing(seen, iterations=3), iterations=2)
    nearest = ndimage.distance_transform_edt(~seen, return_distances=False, return_indices=True)
    soft = np.clip(ndimage.gaussian_filter(head.astype(np.float32), 1.0), 0, 1)[..., None]
    linear = person.linear * (1 - soft) + out[tuple(nearest)] * soft

    def moved(points: np.ndarray, at: np.ndarray) -> np.ndarray:
        return np.column_stack([cx + cos * (points[:, 0] - cx) - sin * (at - known.middle), points[:, 1]])

    mesh = moved(known.mesh[:, :2], known.mesh[:, 2])
    (left, _), (right, _) = mesh.min(axis=0), mesh.max(axis=0)
    rows, columns = (np.clip(person.points[:, i].astype(int), 0, shape[1 - i] - 1) for i in (1, 0))
    five = moved(person.points, known.front[rows, columns])
    box = (float(left), person.box[1], float(right), person.box[3])
    head_x, head_y, head_rx, head_ry = person.head
    shifted = (head_x + 0.5 * ((left + right) / 2 - head_x), head_y, head_rx * 1.15, head_ry)
    return replace(person, linear=linear.astype(np.float32), points=five, box=box, head=shifted)


def _points(colours: np.ndarray, front: np.ndarray, inside: np.ndarray) -> tuple[np.ndarray, ...]:
    """Points of the head: x, y, depth, colour."""
    zoomed = ndimage.zoom(front, FINER, order=1, grid_mode=True, mode="nearest")
    texture = ndimage.zoom(colours, (FINER, FINER, 1), order=1, grid_mode=True, mode="nearest")
    chosen = ndimage.zoom(inside.astype(np.uint8), FINER, order=0, grid_mode=True, mode="nearest") > 0
    ys, xs = (np.mgrid[0 : zoomed.shape[0], 0 : zoomed.shape[1]] + 0.5) / FINER
    return xs[chosen], ys[chosen], zoomed[chosen], texture[chosen]


def _hair(person: Portrait) -> np.ndarray:
    """The colours of hair or hat, each taken near the outline in the same direction, from the brow up."""
    cx, cy, rx, ry = SKULLS[person.name]
    smooth = ndimage.gaussian_filter(person.linear, (3, 3, 0))
    ys, xs = np.mgrid[0 : smooth.shape[0], 0 : smooth.shape[1]] + 0.5
    u, v = (xs - cx) / rx, np.minimum((ys - cy) / ry, -0.2)
    radius = np.maximum(np.hypot(u, v), 1e-3)
    at = [cy + 0.85 * ry * v / radius, cx + 0.85 * rx * u / radius]
    return np.stack([ndimage.map_coordinates(smooth[..., c], at, order=1, mode="nearest") for c in range(3)], axis=-1)


def side_lit(person: Portrait, azimuth_deg: float, ambient: float) -> Portrait:
    """The portrait with light from one side: Lambert's cosine over the depth, and `ambient` (0..1) everywhere."""
    shape = (person.linear.shape[0], person.linear.shape[1])
    front = ndimage.gaussian_filter(depth(person.name, shape).front, 2.0)
    slope_y, slope_x = np.gradient(front)
    angle = np.radians(azimuth_deg)
    normal = 1 / np.sqrt(1 + slope_x**2 + slope_y**2)
    cosine = np.clip((-np.sin(angle) * slope_x + np.cos(angle)) * normal, 0, None)
    lit = ambient + (1 - ambient) * cosine
    return replace(person, linear=(person.linear * lit[..., None]).astype(np.float32))


@lru_cache
def morphed(share: float) -> Portrait:
    """A third person: between the two portraits in shape and skin, `share` (0..1) of the way to the second.

    Both are warped so that their meshes meet, then mixed. In the first portrait's place and frame.
    """
    from benchmarks.faces.portraits import portraits

    one, other = portraits()
    a, b = _mesh(one.name)[:, :2], _mesh(other.name)[:, :2]
    back = similarity(a, b)  # from the first portrait's pixels to the second's
    height, width = one.linear.shape[:2]
    ring = np.array([(x, y) for x in (0, 0.5, 1) for y in (0, 0.5, 1) if (x, y) != (0.5, 0.5)]) * (width, height)
    inverse = np.linalg.inv(np.vstack([back, (0, 0, 1)]))[:2]
    b_in_a = b @ inverse[:, :2].T + inverse[:, 2]
    target = np.concatenate([(1 - share) * a + share * b_in_a, ring])
    ys, xs = np.mgrid[0:height, 0:width] + 0.5
    at = np.stack([xs, ys], axis=-1)
    mixed = np.zeros_like(one.linear)
    for person, own, weight in ((one, a, 1 - share), (other, b, share)):
        edge = ring if person is one else ring @ back[:, :2].T + back[:, 2]
        moved = LinearNDInterpolator(target, np.concatenate([own, edge]))(at)
        where = [np.nan_to_num(moved[..., 1]) - 0.5, np.nan_to_num(moved[..., 0]) - 0.5]
        for c in range(3):
            mixed[..., c] += weight * ndimage.map_coordinates(person.linear[..., c], where, order=1, mode="nearest")
    points = (1 - share) * one.points + share * (other.points @ inverse[:, :2].T + inverse[:, 2])
    return replace(one, name=f"between, {share:.2f}", linear=mixed, points=points)
