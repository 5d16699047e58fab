"""Where skin is looked for: polygons of fixed facial regions, away from eyes, brows, lips, nostrils and hairline.

"Left" and "right" are the person's own: the left cheek lies on the right of the picture. Each vertex is a mesh point,
or lies a given part of the way between two, so that the polygons are eroded by construction and follow the face.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from xmpsync.faces.records import FivePoints, MeshFit
from xmpsync.records import Box
from xmpsync.skin.records import Place, Region

Vertex = tuple[int, int, float]
"""Mesh point a, mesh point b, t: the point (1 - t) a + t b."""

# Indices of the canonical face model (468 vertices) that the mesh follows.
RIGHT_CHEEK: tuple[Vertex, ...] = (
    (117, 50, 0.6),
    (118, 50, 0.45),
    (118, 101, 0.65),
    (101, 36, 0.4),
    (142, 36, 0.4),
    (203, 36, 0.5),
    (206, 205, 0.55),
    (216, 207, 0.5),
    (207, 187, 0.4),
    (187, 50, 0.3),
)
"""Apple of the cheek: below eye bag and rim of glasses, outside the fold from nose to mouth, off the sideburn."""
LEFT_CHEEK: tuple[Vertex, ...] = (
    (346, 280, 0.6),
    (347, 280, 0.45),
    (347, 330, 0.65),
    (330, 266, 0.4),
    (371, 266, 0.4),
    (423, 266, 0.5),
    (426, 425, 0.55),
    (436, 427, 0.5),
    (427, 411, 0.4),
    (411, 280, 0.3),
)
FOREHEAD: tuple[Vertex, ...] = (
    (104, 69, 0.3),
    (69, 67, 0.2),
    (108, 109, 0.25),
    (151, 10, 0.25),
    (337, 338, 0.25),
    (299, 297, 0.2),
    (333, 299, 0.3),
    (333, 334, 0.35),
    (299, 296, 0.45),
    (337, 336, 0.55),
    (151, 9, 0.85),
    (108, 107, 0.55),
    (69, 66, 0.45),
    (104, 105, 0.35),
)
NOSE: tuple[Vertex, ...] = (
    (6, 122, 0.5),
    (6, 351, 0.5),
    (197, 419, 0.9),
    (195, 248, 1.0),
    (5, 281, 0.9),
    (5, 4, 0.3),
    (5, 51, 0.9),
    (195, 3, 1.0),
    (197, 196, 0.9),
)
CHIN: tuple[Vertex, ...] = (
    (201, 194, 0.3),
    (18, 200, 0.45),
    (421, 418, 0.3),
    (421, 262, 0.25),
    (428, 396, 0.2),
    (199, 175, 0.4),
    (208, 171, 0.2),
    (201, 32, 0.25),
)
REGIONS: dict[Region, tuple[Vertex, ...]] = {
    Region.FOREHEAD: FOREHEAD,
    Region.LEFT_CHEEK: LEFT_CHEEK,
    Region.RIGHT_CHEEK: RIGHT_CHEEK,
    Region.NOSE: NOSE,
    Region.CHIN: CHIN,
}


@dataclass(frozen=True, slots=True)
class PlaceSettings:
    """The rough places, in parts of the distance from the eye line to the mouth (d) or of a box's sides."""

    band_top: float = 0.32
    """A frontal face without mesh: the band across both cheeks begins this far below the eyes (d) ..."""
    band_bottom: float = 0.7
    """... and ends here, above the upper lip and, at its middle, above the nostrils."""
    band_outwards: float = 0.22
    """How far it reaches past the eyes, in parts of their distance."""
    profile_ratio: float = 0.42
    """Eyes nearer to each other than this part of d: one cheek only is seen."""
    cheek_centre_down: float = 0.58
    """That cheek's centre: this far from the eye towards the mouth (d) ..."""
    cheek_centre_back: float = 0.42
    """... and this far away from the nose (d)."""
    cheek_radius: float = 0.27
    """Radius of that cheek's ellipse (d)."""
    box_centre_down: float = 0.55
    """A box without points: centre of its ellipse, parts of the height from the top."""
    box_radius_across: float = 0.22
    box_radius_down: float = 0.2
    """Half axes of that ellipse, parts of width and height: small, as nobody knows how tight the box is."""
    frontal_yaw_deg: float = 30.0
    """Turned further, the far cheek is foreshortened to a sliver and left out."""
    vertices: int = 24


def places(
    fit: MeshFit | None, box: Box, points: FivePoints | None, *, settings: PlaceSettings | None = None
) -> tuple[Place, ...]:
    """Polygons of skin: five fixed regions where the mesh is reliable, else one rough place (`Region.WHOLE`).

    `box` and `points` are the detection's; `points` is None for a box that only metadata knows.
    """
    s = settings or PlaceSettings()
    if fit is not None and fit.reliable:
        hidden = _hidden(fit.yaw_deg, s)
        return tuple(
            _place(region, _polygon(fit.points, shape)) for region, shape in REGIONS.items() if region != hidden
        )
    if points is not None:
        return (_place(Region.WHOLE, _rough(np.array(points), box, s)),)
    return (inner_ellipse(box, settings=s),)


def inner_ellipse(box: Box, *, settings: PlaceSettings | None = None) -> Place:
    """The ellipse inside a face's box where skin is most likely."""
    s = settings or PlaceSettings()
    centre = np.array([box.left + box.width / 2, box.top + s.box_centre_down * box.height])
    axes = np.array([[s.box_radius_across * box.width, 0.0], [0.0, s.box_radius_down * box.height]])
    return _place(Region.WHOLE, _ellipse(centre, axes, s.vertices))


def patch(box: Box, *, settings: PlaceSettings | None = None) -> Place:
    """The whole ellipse inside a hand-made box."""
    s = settings or PlaceSettings()
    axes = np.array([[box.width / 2, 0.0], [0.0, box.height / 2]])
    return _place(Region.WHOLE, _ellipse(np.array(box.centre), axes, s.vertices))


def _hidden(yaw_deg: float, s: PlaceSettings) -> Region | None:
    if abs(yaw_deg) <= s.frontal_yaw_deg:
        return None
    return Region.LEFT_CHEEK if yaw_deg > 0 else Region.RIGHT_CHEEK


def _polygon(points: npt.NDArray[np.float64], shape: tuple[Vertex, ...]) -> npt.NDArray[np.float64]:
    a, b, t = (np.array(column) for column in zip(*shape, strict=True))
    return np.asarray((1 - t)[:, None] * points[a] + t[:, None] * points[b])


def _rough(points: npt.NDArray[np.float64], box: Box, s: PlaceSettings) -> npt.NDArray[np.float64]:
    """A band across both cheeks, or the one visible cheek; worked out in units of the box, so that pixels are square
    enough whatever the picture's shape."""
    unit = np.array([box.width, box.width * _pixel_aspect(box)])
    eye_a, eye_b, nose, mouth_a, mouth_b = points / unit
    eyes, mouth = (eye_a + eye_b) / 2, (mouth_a + mouth_b) / 2
    down = mouth - eyes
    d = float(np.hypot(*down))
    across = eye_b - eye_a
    if np.hypot(*across) >= s.profile_ratio * d:
        out = across * s.band_outwards
        upper = [eye_a + s.band_top * (mouth_a - eye_a) - out, eye_b + s.band_top * (mouth_b - eye_b) + out]
        low_a, low_b = (eye + s.band_bottom * (m - eye) for eye, m in ((eye_a, mouth_a), (eye_b, mouth_b)))
        middle = eyes + 0.8 * (nose - eyes)  # above the nostrils
        shape = [*upper, low_b + out * 0.6, low_b - out * 0.4, middle, low_a + out * 0.4, low_a - out * 0.6]
        return np.asarray(np.array(shape) * unit)
    side = np.array([-down[1], down[0]]) / d
    away = -np.sign((nose - eyes) @ side) or 1.0
    centre = eyes + s.cheek_centre_down * down + away * s.cheek_centre_back * d * side
    axes = np.stack([side * s.cheek_radius * d, down / d * s.cheek_radius * 1.2 * d], axis=-1)
    return np.asarray(_ellipse(centre, axes, s.vertices) * unit)


def _pixel_aspect(box: Box) -> float:
    """Height fraction over width fraction of a square, by the box: a face is about 1.3 times as high as wide."""
    return box.height / (1.3 * box.width) if box.width > 0 else 1.0


def _ellipse(centre: npt.NDArray[np.float64], axes: npt.NDArray[np.float64], n: int) -> npt.NDArray[np.float64]:
    angle = np.arange(n) * (2 * np.pi / n)
    return np.asarray(centre + np.stack([np.cos(angle), np.sin(angle)], axis=-1) @ axes.T)


def _place(region: Region, polygon: npt.NDArray[np.float64]) -> Place:
    return Place(region, tuple((float(x), float(y)) for x, y in polygon))
