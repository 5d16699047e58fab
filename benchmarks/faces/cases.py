"""The frames of the bench, drawn by a seeded generator: what each row of the table is made of."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from benchmarks.faces.light import LIGHTS, STRONG_CASTS, TONES
from benchmarks.faces.scenes import Pose, Shot

LANDSCAPE, UPRIGHT = (1024, 683), (683, 1024)
SIZES_PX = (24, 32, 48, 64, 96, 150, 240, 400)
BASE = "lights and sizes"


@dataclass(frozen=True)
class Case:
    """One frame to make. `row` is the table's row it counts in."""

    row: str
    poses: tuple[Pose, ...]
    shot: Shot
    size: tuple[int, int]


def cases(rng: np.random.Generator, per_row: int) -> Iterator[Case]:
    """`per_row` frames of each row. Tones, portraits, lights, levels, places are drawn; sizes walk through the list."""
    for row, make in ROWS.items():
        for i in range(per_row):
            yield make(row, i, rng)


def _pose(i: int, rng: np.random.Generator, face_px: float, size: tuple[int, int], **more: float) -> Pose:
    """One face of the wanted size, wholly inside the frame."""
    width, height = size
    face_px = min(face_px, 0.75 * height)
    room_x, room_y = 0.6 * face_px / width, 0.6 * face_px / height
    x = rng.uniform(room_x, 1 - room_x) if room_x < 0.5 else 0.5
    y = rng.uniform(room_y, 1 - room_y) if room_y < 0.5 else 0.5
    tone = tuple(TONES)[int(rng.integers(len(TONES)))]
    return Pose(i % 2, face_px, float(x), float(y), more.get("roll_deg", float(rng.normal(0, 5))), tone)


def _light(rng: np.random.Generator) -> str:
    return LIGHTS[int(rng.integers(len(LIGHTS)))]


def _shot(rng: np.random.Generator, **changes: object) -> Shot:
    iso = (100, 400, 1600, 6400)[int(rng.integers(4))]
    light = _light(rng)
    as_shot = light if rng.uniform() < 0.6 else "D55"
    return replace(Shot(light, None, as_shot, float(rng.uniform(-1, 1)), 0.0, iso), **changes)


def _single(row: str, i: int, rng: np.random.Generator, **changes: object) -> Case:
    size = (LANDSCAPE, UPRIGHT)[i // 2 % 2]
    return Case(row, (_pose(i, rng, SIZES_PX[i % len(SIZES_PX)], size),), _shot(rng, **changes), size)


def _dark(row: str, i: int, rng: np.random.Generator) -> Case:
    return _single(row, i, rng, ev=-3.0)


def _very_dark(row: str, i: int, rng: np.random.Generator) -> Case:
    return _single(row, i, rng, ev=-5.0)


def _cast(row: str, i: int, rng: np.random.Generator) -> Case:
    return _single(row, i, rng, light=STRONG_CASTS[i % len(STRONG_CASTS)], as_shot="D55")


def _backlit(row: str, i: int, rng: np.random.Generator) -> Case:
    return _single(row, i, rng, ev=-1.5, back_ev=float(rng.uniform(3, 5)))


def _two_lights(row: str, i: int, rng: np.random.Generator) -> Case:
    return _single(row, i, rng, second_light=_light(rng))


def _group(row: str, i: int, rng: np.random.Generator) -> Case:
    face_px = float(rng.uniform(24, 40))
    columns, rows = 8, 3
    poses = []
    for n in range(columns * rows):
        one = _pose(n + i, rng, face_px, LANDSCAPE)
        x = (n % columns + 0.5) / columns + rng.normal(0, 0.004)
        y = (n // columns + 0.8) / (rows + 1) + rng.normal(0, 0.01)
        poses.append(replace(one, x=float(x), y=float(y)))
    return Case(row, tuple(poses), _shot(rng), LANDSCAPE)


def _huge(row: str, i: int, rng: np.random.Generator) -> Case:
    face_px = (500, 600, 700)[i % 3]
    return Case(row, (replace(_pose(i, rng, 600, UPRIGHT), face_px=face_px, x=0.5, y=0.5),), _shot(rng), UPRIGHT)


def _cut(row: str, i: int, rng: np.random.Generator) -> Case:
    """A quarter of the face's width, or of its height, is outside the frame."""
    face_px = SIZES_PX[3 + i % 5]
    one = _pose(i, rng, face_px, LANDSCAPE)
    width, height = LANDSCAPE
    half_w, half_h = 0.38 * one.face_px, 0.5 * one.face_px
    edges = ((0.5 * half_w / width, one.y), (1 - 0.5 * half_w / width, one.y), (one.x, 0.5 * half_h / height))
    x, y = edges[i % 3]
    return Case(row, (replace(one, x=x, y=y, roll_deg=0.0),), _shot(rng), LANDSCAPE)


def _rolled(row: str, i: int, rng: np.random.Generator) -> Case:
    roll = float(rng.choice([-1, 1]) * rng.uniform(15, 35))
    return Case(row, (_pose(i, rng, SIZES_PX[1 + i % 7], LANDSCAPE, roll_deg=roll),), _shot(rng), LANDSCAPE)


def _wrong_tag(row: str, i: int, rng: np.random.Generator) -> Case:
    return _single(row, i, rng, turn=1 + i % 3)


ROWS: dict[str, Callable[[str, int, np.random.Generator], Case]] = {
    BASE: _single,
    "-3 EV": _dark,
    "-5 EV": _very_dark,
    "strong cast": _cast,
    "backlit": _backlit,
    "two lights": _two_lights,
    "groups, 24-40 px": _group,
    "face fills the frame": _huge,
    "cut by the frame": _cut,
    "head rolled 15-35 degrees": _rolled,
    "orientation tag wrong": _wrong_tag,
}
