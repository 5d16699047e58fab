"""Where the choir sings: the lights of each place and a plain backdrop made of surfaces under those lights."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import gaussian_filter, zoom

from demo_shoot.people import surface
from demo_shoot.shading import Lamp
from demo_shoot.spectra import (
    bands,
    blended,
    cie_light,
    daylight,
    flat_reflectance,
    planckian,
    step_reflectance,
)


@dataclass(frozen=True, eq=False)
class Patch:
    """One part of a backdrop: how brightly each pixel shows `reflectance` under light number `light`."""

    shade: np.ndarray
    reflectance: np.ndarray
    light: int = 0


@dataclass(frozen=True, eq=False)
class Place:
    """One place. `lights` spectra; `lamps` (lamp, light number) that shine on people unless a shot says otherwise.

    `level` is the illuminance of the key light relative to the hall. `auto_white` is how much of the light's colour
    """

    name: str
    lights: tuple[np.ndarray, ...]
    lamps: tuple[tuple[Lamp, int], ...]
    backdrop: Callable[[int, int, np.random.Generator], list[Patch]]
    level: float = 1.0
    auto_white: float = 0.8
    keywords: tuple[str, ...] = field(default=())


_WOOD = step_reflectance(0.07, 0.34, 580.0, 40.0)
_PLASTER = step_reflectance(0.58, 0.70, 480.0, 40.0)
_STONE = step_reflectance(0.34, 0.44, 520.0, 50.0)
_LEAF = surface("forest")
_GREY = flat_reflectance(0.22)
_WHITE = flat_reflectance(1.0)


def _grid(height: int, width: int) -> tuple[np.ndarray, np.ndarray]:
    """(x, y), fractions of the frame."""
    x, y = np.meshgrid((np.arange(width) + 0.5) / width, (np.arange(height) + 0.5) / height)
    return x.astype(np.float32), y.astype(np.float32)


def _texture(height: int, width: int, rng: np.random.Generator, amount: float, grain: int = 12) -> np.ndarray:
    """Soft mottle around 1."""
    small = rng.standard_normal((height // grain + 2, width // grain + 2))
    large = zoom(gaussian_filter(small, 1.2), grain, order=1)[:height, :width]
    return (1.0 + amount * large / max(float(large.std()), 1e-6)).clip(0.1, None).astype(np.float32)


def _box(x: np.ndarray, y: np.ndarray, left: float, top: float, right: float, bottom: float) -> np.ndarray:
    edge = 0.004
    inside = np.minimum.reduce([x - left, right - x, y - top, bottom - y])
    return np.clip(inside / edge + 0.5, 0.0, 1.0)


def _hall(height: int, width: int, rng: np.random.Generator) -> list[Patch]:
    x, y = _grid(height, width)
    rough = _texture(height, width, rng, 0.025)
    window = sum(_box(x, y, left, 0.04, left + 0.12, 0.26) for left in (0.08, 0.44, 0.80))
    panel = np.clip((y - 0.72) / 0.006 + 0.5, 0, 1)
    boards = 1.0 - 0.25 * (np.abs((x * 18.0) % 1.0 - 0.5) > 0.47)
    light = 0.75 - 0.30 * y
    return [
        Patch(light * rough * (1 - panel) * (1 - window), _PLASTER),
        Patch(light * rough * panel * boards, _WOOD),
        Patch(1.15 * window, _WHITE),
    ]


def _boathouse(height: int, width: int, rng: np.random.Generator) -> list[Patch]:
    x, y = _grid(height, width)
    rough = _texture(height, width, rng, 0.06, 20)
    boards = 1.0 - 0.45 * (np.abs((x * 14.0) % 1.0 - 0.5) > 0.46)
    floor = np.clip((y - 0.86) / 0.01 + 0.5, 0, 1)
    return [
        Patch(0.55 * rough * boards * (1 - floor), _WOOD),
        Patch(0.5 * rough * floor, _GREY),
    ]


def _water_gate(height: int, width: int, rng: np.random.Generator) -> list[Patch]:
    """The boathouse seen from inside towards the bright water: light from behind."""
    x, y = _grid(height, width)
    gate = _box(x, y, 0.12, 0.06, 0.88, 0.80)
    ripple = _texture(height, width, rng, 0.05, 16)
    return [
        *_dimmed(_boathouse(height, width, rng), 0.35 * (1 - gate)),
        Patch(3.0 * gate * ripple, flat_reflectance(0.8)),
    ]


def _dimmed(patches: list[Patch], factor: np.ndarray) -> list[Patch]:
    return [Patch(patch.shade * factor, patch.reflectance, patch.light) for patch in patches]


def _stage(height: int, width: int, rng: np.random.Generator) -> list[Patch]:
    x, y = _grid(height, width)
    folds = 0.5 + 0.5 * np.sin(2 * np.pi * (x * 11.0 + 0.25 * np.sin(5.0 * y)))
    floor = np.clip((y - 0.84) / 0.01 + 0.5, 0, 1)
    glow = np.exp(-(((x - 0.22) / 0.18) ** 2) - ((y - 0.3) / 0.4) ** 2)
    other = np.exp(-(((x - 0.8) / 0.18) ** 2) - ((y - 0.35) / 0.4) ** 2)
    rough = _texture(height, width, rng, 0.05)
    return [
        Patch((0.10 + 0.16 * folds) * rough * (1 - floor), surface("brick")),
        Patch(0.25 * rough * floor, _WOOD),
        Patch((0.22 * glow + 0.18 * other) * (1 - floor) * folds, surface("brick"), 1),
        Patch((0.10 * glow + 0.10 * other) * floor, _WOOD, 1),
    ]


def _rehearsal(height: int, width: int, rng: np.random.Generator) -> list[Patch]:
    x, y = _grid(height, width)
    rough = _texture(height, width, rng, 0.02)
    board = _box(x, y, 0.04, 0.12, 0.34, 0.5)
    note = sum(_box(x, y, 0.07 + 0.09 * i, 0.18, 0.13 + 0.09 * i, 0.30 + 0.05 * (i % 2)) for i in range(3))
    wall = (0.72 - 0.2 * y) * rough
    return [
        Patch(wall * (1 - board), _PLASTER),
        Patch(wall * board * (1 - note), step_reflectance(0.16, 0.34, 560.0, 40.0)),
        Patch(wall * note, surface("white")),
    ]


def _studio(height: int, width: int, rng: np.random.Generator) -> list[Patch]:
    x, y = _grid(height, width)
    fall = 0.85 * np.exp(-(((x - 0.5) / 0.55) ** 2) - ((y - 0.45) / 0.6) ** 2) + 0.12
    return [Patch(fall * _texture(height, width, rng, 0.015), _GREY)]


def _candles(height: int, width: int, rng: np.random.Generator) -> list[Patch]:
    x, y = _grid(height, width)
    aspect = width / height
    glow = np.zeros_like(x)
    for _ in range(14):
        cx, cy, radius = rng.uniform(0, 1), rng.uniform(0.05, 0.45), rng.uniform(0.012, 0.03)
        glow += rng.uniform(0.2, 0.6) * np.clip((radius - np.hypot((x - cx) * aspect, y - cy)) / 0.004 + 0.5, 0, 1)
    cloth = np.clip((y - 0.88) / 0.01 + 0.5, 0, 1)
    return [
        Patch((0.16 - 0.1 * y) * _texture(height, width, rng, 0.08) * (1 - cloth), _WOOD),
        Patch(0.55 * cloth * _texture(height, width, rng, 0.03), surface("white")),
        Patch(glow, _WHITE),
    ]


def _lake(height: int, width: int, rng: np.random.Generator) -> list[Patch]:
    x, y = _grid(height, width)
    hill = 0.36 + 0.04 * np.sin(7.0 * x) + 0.02 * np.sin(19.0 * x + 1.0)
    sky = np.clip((hill - y) / 0.006 + 0.5, 0, 1)
    water = np.clip((y - 0.47) / 0.004 + 0.5, 0, 1)
    ripple = _texture(height, width, rng, 0.10, 8)
    return [
        Patch((0.35 + 0.35 * y / 0.4) * sky, flat_reflectance(0.8)),
        Patch((0.25 * np.exp(-(((y - 0.36) / 0.08) ** 2))) * sky, flat_reflectance(0.8), 1),
        Patch(0.22 * (1 - sky) * (1 - water), _LEAF),
        Patch(0.32 * water * ripple * (1.1 - 0.5 * y), flat_reflectance(0.5)),
    ]


def _doorway(height: int, width: int, rng: np.random.Generator) -> list[Patch]:
    x, y = _grid(height, width)
    rough = _texture(height, width, rng, 0.03)
    cool = np.clip((0.62 - x) / 0.5, 0, 1)
    frame = _box(x, y, 0.485, 0.0, 0.515, 1.0)
    return [
        Patch(0.6 * rough * cool * (1 - frame), _PLASTER, 0),
        Patch(0.55 * rough * (1 - cool) * (1 - frame), _PLASTER, 1),
        Patch(0.3 * frame * rough, _WOOD, 1),
    ]


def _steps(height: int, width: int, rng: np.random.Generator) -> list[Patch]:
    x, y = _grid(height, width)
    rough = _texture(height, width, rng, 0.05, 10)
    edges = 1.0 - 0.35 * (((y * 9.0) % 1.0) < 0.08)
    hedge = np.clip((0.3 - y) / 0.03 + 0.5, 0, 1)
    return [
        Patch(0.8 * rough * edges * (1 - hedge), _STONE),
        Patch(0.6 * _texture(height, width, rng, 0.25, 6) * hedge + 0.0 * x, _LEAF),
    ]


_STAGE_WHITE = blended((1.0, cie_light("LED-B3")))
_STAGE_COLOUR = bands((455.0, 22.0, 1.0), (632.0, 18.0, 0.9))

HALL = Place(
    "hall", (daylight(5600.0),),
    ((Lamp((-0.5, -0.9, 1.0), 0.72, 0.75), 0), (Lamp((0.9, -0.3, 0.8), 0.30, 1.0), 0)),
    _hall, 1.0, 0.85, ("hall", "jubilee"),
)  # fmt: skip
BOATHOUSE = Place(
    "boathouse", (daylight(9000.0),),
    ((Lamp((0.6, -0.5, 1.0), 0.75, 0.85), 0), (Lamp((-0.8, -0.2, 0.7), 0.25, 1.0), 0)),
    _boathouse, 0.7, 0.55, ("boathouse",),
)  # fmt: skip
WATER_GATE = Place(
    "water gate", (daylight(7800.0),), ((Lamp((0.0, -0.4, 1.0), 0.9, 1.0), 0),), _water_gate, 0.5, 0.7, ("boathouse",)
)
STAGE = Place(
    "stage", (_STAGE_WHITE, _STAGE_COLOUR),
    ((Lamp((-0.3, -0.8, 1.0), 0.85, 0.35), 0), (Lamp((0.4, -0.7, 0.9), 0.06, 0.6), 1),
     (Lamp((0.5, 0.0, 1.0), 0.15, 1.0), 0)),
    _stage, 0.15, 0.7, ("stage", "concert"),
)  # fmt: skip
REHEARSAL = Place(
    "rehearsal room", (cie_light("FL2"),),
    ((Lamp((0.0, -1.0, 0.8), 0.60, 0.8), 0), (Lamp((0.2, 0.1, 1.0), 0.40, 1.0), 0)),
    _rehearsal, 0.25, 0.35, ("rehearsal",),
)  # fmt: skip
STUDIO = Place(
    "flash portraits", (blended((1.0, daylight(5900.0))),),
    ((Lamp((-0.7, -0.6, 1.0), 0.78, 0.45), 0), (Lamp((0.9, -0.1, 0.8), 0.30, 0.9), 0)),
    _studio, 2.0, 0.0, ("portrait",),
)  # fmt: skip
CANDLES = Place(
    "candle table", (blended((0.5, planckian(1950.0)), (0.5, planckian(2750.0))),),
    ((Lamp((0.3, 0.25, 1.0), 0.70, 0.6), 0), (Lamp((-0.6, -0.3, 0.8), 0.40, 0.9), 0)),
    _candles, 0.02, 0.5, ("supper",),
)  # fmt: skip
LAKE = Place(
    "lake at dusk", (daylight(11500.0), planckian(3400.0)),
    ((Lamp((-0.2, -0.7, 1.0), 0.85, 1.0), 0), (Lamp((0.7, -0.1, 0.9), 0.15, 0.9), 0)),
    _lake, 0.05, 0.6, ("lake", "dusk"),
)  # fmt: skip
DOORWAY = Place(
    "doorway", (daylight(8500.0), planckian(2800.0)),
    ((Lamp((-1.0, -0.3, 0.55), 0.80, 0.5), 0), (Lamp((1.0, -0.4, 0.55), 0.70, 0.4), 1)),
    _doorway, 0.2, 0.5, ("doorway",),
)  # fmt: skip
STEPS = Place(
    "sunny steps", (blended((0.85, daylight(5300.0)), (0.15, daylight(12000.0))),),
    ((Lamp((0.55, -0.75, 1.0), 0.80, 0.1), 0), (Lamp((-0.4, -0.6, 1.0), 0.28, 1.0), 0)),
    _steps, 8.0, 0.9, ("steps", "sun"),
)  # fmt: skip
