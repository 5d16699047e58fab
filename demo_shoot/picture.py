"""Put people into a place: the noise-free linear camera picture of a shot, and where each face's skin is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

from demo_shoot.head import FACE_BOX, HeadMaps, draw_head
from demo_shoot.people import BY_NAME, reflectances
from demo_shoot.places import Place
from demo_shoot.shading import lamp_shading
from demo_shoot.shots import Shot, Singer
from demo_shoot.spectra import camera_response, flat_reflectance

FACE_HEIGHT = FACE_BOX[3] - FACE_BOX[1]
SKIN_PERCENTILES = (40.0, 90.0)
"""Which part of a face's skin, ordered by green, stands for its lit skin: neither shadow nor gloss."""


@dataclass(frozen=True, eq=False)
class Face:
    """A drawn person: box (left, top, width, height) in fractions of the upright picture, true lit camera value.

    `sides` (2, 3): mean camera value of the bare skin left and right of the face's axis, as the picture shows it.
    """

    name: str
    box: tuple[float, float, float, float]
    skin: np.ndarray
    sides: np.ndarray


def paint(
    shot: Shot, camera: np.ndarray, width: int, height: int, rng: np.random.Generator
) -> tuple[np.ndarray, list[Face]]:
    """float32 (h, w, 3) upright linear picture for exposure 1, and its faces."""
    place = shot.place
    picture = np.zeros((height, width, 3), np.float32)
    for patch in place.backdrop(height, width, rng):
        response = camera_response(place.lights[patch.light], patch.reflectance, camera)
        picture += patch.shade[..., None].astype(np.float32) * response.astype(np.float32)
    # the backdrop lies behind the plane of focus
    picture = np.stack([gaussian_filter(picture[..., channel], height / 400.0) for channel in range(3)], axis=-1)
    faces = [_add(picture, singer, place, camera) for singer in shot.singers]
    return picture, faces


def _add(picture: np.ndarray, singer: Singer, place: Place, camera: np.ndarray) -> Face:
    height, width = picture.shape[:2]
    member = BY_NAME[singer.name]
    scale = singer.size * height / FACE_HEIGHT
    maps = draw_head(member.build, scale, singer.yaw_deg)
    colour = _lit(maps, singer, place, reflectances(member), camera)
    turn = 0.25 * np.sin(np.radians(singer.yaw_deg)) * scale
    sides = _sides(colour, maps.skin_mask, maps.origin[0] + turn)
    alpha, mask = maps.alpha, maps.skin_mask.astype(float)
    if singer.roll_deg:
        turned = _rotated(np.concatenate([colour, alpha[..., None], mask[..., None]], axis=-1), maps, singer.roll_deg)
        colour, alpha, mask = turned[..., :3], turned[..., 3], turned[..., 4]
    # the face's middle, not the head's origin, sits where the shot wants it
    middle_y = (FACE_BOX[1] + FACE_BOX[3]) / 2
    left = round(singer.x * width - maps.origin[0])
    top = round(singer.y * height - maps.origin[1] - middle_y * scale)
    _composite(picture, colour, alpha, left, top)
    skin = lit_skin(colour[mask > 0.99])
    x0, y0 = left + maps.origin[0] + turn + FACE_BOX[0] * scale, top + maps.origin[1] + FACE_BOX[1] * scale
    box = (x0 / width, y0 / height, (FACE_BOX[2] - FACE_BOX[0]) * scale / width, FACE_HEIGHT * scale / height)
    return Face(singer.name, tuple(float(value) for value in box), skin, sides)  # type: ignore[arg-type]


def lit_skin(pixels: np.ndarray) -> np.ndarray:
    """(3,) mean of the skin pixels (n, 3) whose green lies between the percentiles of `SKIN_PERCENTILES`."""
    green = pixels[:, 1]
    low, high = np.percentile(green, SKIN_PERCENTILES)
    return np.asarray(pixels[(green >= low) & (green <= high)].mean(axis=0), float)


def _sides(colour: np.ndarray, mask: np.ndarray, axis: float) -> np.ndarray:
    """(2, 3) mean colour of the masked pixels left and right of the column `axis`, before the head leans."""
    left = np.arange(mask.shape[1]) < axis
    return np.array([colour[mask & side].mean(axis=0, dtype=float) for side in (left, ~left)])


def _lit(maps: HeadMaps, singer: Singer, place: Place, surfaces: np.ndarray, camera: np.ndarray) -> np.ndarray:
    out = np.zeros((*maps.alpha.shape, 3), np.float32)
    for lamp, number in singer.lamps or place.lamps:
        light = place.lights[number]
        diffuse, glossy = lamp_shading(maps, lamp)
        out += diffuse[..., None] * (maps.materials @ camera_response(light, surfaces, camera).astype(np.float32))
        out += glossy[..., None] * camera_response(light, flat_reflectance(1.0), camera)
    return out


def _rotated(planes: np.ndarray, maps: HeadMaps, roll_deg: float) -> np.ndarray:
    """The planes turned around the neck by `roll_deg` (positive: clockwise)."""
    h, w = planes.shape[:2]
    cx, cy = maps.origin[0], maps.origin[1] + 1.0 * maps.scale
    y, x = np.mgrid[0:h, 0:w].astype(float)
    # the body stays, the head leans: less turn further down
    lean = np.radians(roll_deg) * np.clip((cy + 0.6 * maps.scale - y) / (0.8 * maps.scale), 0.0, 1.0)
    source_x = cx + (x - cx) * np.cos(lean) + (y - cy) * np.sin(lean)
    source_y = cy - (x - cx) * np.sin(lean) + (y - cy) * np.cos(lean)
    return np.stack(
        [
            map_coordinates(planes[..., i], [source_y, source_x], order=1, mode="nearest")
            for i in range(planes.shape[-1])
        ],
        axis=-1,
    )


def _composite(picture: np.ndarray, colour: np.ndarray, alpha: np.ndarray, left: int, top: int) -> None:
    """Lay a head over the picture in place; the body goes on below the drawing."""
    height, width = picture.shape[:2]
    below = max(0, height - (top + colour.shape[0]))
    if below:
        colour = np.concatenate([colour, np.repeat(colour[-1:], below, axis=0)])
        alpha = np.concatenate([alpha, np.repeat(alpha[-1:], below, axis=0)])
    y0, y1 = max(0, top), min(height, top + colour.shape[0])
    x0, x1 = max(0, left), min(width, left + colour.shape[1])
    part = np.s_[y0 - top : y1 - top, x0 - left : x1 - left]
    cover = alpha[part][..., None].astype(np.float32)
    picture[y0:y1, x0:x1] = picture[y0:y1, x0:x1] * (1 - cover) + colour[part].astype(np.float32) * cover
