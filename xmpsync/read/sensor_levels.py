"""Where the picture lies in the array, which colour each photosite has, and what black and white mean.

For a DNG all of it comes from the file's tags, since LibRaw assigns unequal blacks wrongly where the active area
starts on an odd row, reduces larger patterns to their minimum, and may invent a white level from the maker's name. For
other formats it comes from LibRaw.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from xmpsync.errors import RawUnreadable
from xmpsync.read import limits, tiff
from xmpsync.read.blocks import Sensor
from xmpsync.read.header import ACTIVE_AREA, COPY_AGAIN, DEFAULT_CROP_ORIGIN, RawHeader, crop_size
from xmpsync.read.libraw import Decoded

BLACK_REPEAT, BLACK, BLACK_DELTA_H, BLACK_DELTA_V, WHITE = 50713, 50714, 50715, 50716, 50717
CFA_LAYOUT = 50711
_FULL_SCALE_DN = 65535


@dataclass(frozen=True, slots=True)
class PileUp:
    """When a heap at the largest value counts as saturation."""

    lowest_share: float = 0.75
    """Of the white level: bodies stop at 85 to 100 % of what tables say; below, it is the scene."""
    least_count: int = 50
    """Photosites at the largest value; fewer may be chance."""
    neighbours_dn: int = 16
    """How far below the largest value the slope of the histogram is taken, in DN."""
    factor: float = 10.0
    """How many times higher than that slope the heap must be."""
    row_step: int = 8
    """Every how many periods of rows are looked at: 3 million photosites of 24 million, some milliseconds."""


PILE_UP = PileUp()


@dataclass(frozen=True, slots=True)
class Area:
    """A rectangle of photosites (linear: pixels) in the stored array."""

    top: int
    left: int
    height: int
    width: int


@dataclass(frozen=True, slots=True, eq=False)
class SensorLevels:
    """`active`: the area the DNG's opcodes and patterns count from. `shown`: the area that is the picture.

    `sensor` is at the shown area's top left. `colours_at_active`: the CFA at the active area's top left, None for a
    linear picture. `black_rest_dn`: what has to be taken off the stored numbers of the shown area first, where black
    does not repeat with the CFA; None if nothing.
    """

    active: Area
    shown: Area
    sensor: Sensor
    colours_at_active: npt.NDArray[np.uint8] | None
    black_rest_dn: npt.NDArray[np.int32] | None = None


def levels(header: RawHeader, decoded: Decoded) -> SensorLevels:
    """Areas and levels of one decoded file. Raises `RawUnreadable` where they are invalid."""
    return _dng_levels(header, decoded) if header.is_dng else _maker_levels(header, decoded)


def _maker_levels(header: RawHeader, decoded: Decoded) -> SensorLevels:
    sizes = decoded.geometry
    active = Area(sizes.top, sizes.left, sizes.height, sizes.width)
    shown = Area(sizes.crop_top, sizes.crop_left, sizes.crop_height, sizes.crop_width)
    if decoded.colours is None:
        indices = np.array([[0, 1, 2]])
        colours_at_active = None
    else:
        indices = decoded.colours.astype(np.int_)
        colours_at_active = np.where(decoded.colours == 3, 1, decoded.colours).astype(np.uint8)
    black = np.asarray(decoded.black_dn)[indices]
    white = np.full(indices.shape, decoded.white_dn)
    saturation = np.minimum(white, np.asarray(decoded.linear_limit_dn)[indices])
    colours = np.where(indices == 3, 1, indices)
    if decoded.colours is not None:
        piled = pile_up_dn(decoded.pixels, active, colours, white)
        saturation = np.where(np.isnan(piled), saturation, np.minimum(saturation, piled))
    sensor = _sensor(header, colours, black, white, saturation)
    if decoded.colours is not None:
        sensor = sensor.moved(shown.top - active.top, shown.left - active.left)
    shown, sensor = _cell_aligned(shown, sensor)
    return SensorLevels(active, shown, sensor, colours_at_active)


def _dng_levels(header: RawHeader, decoded: Decoded) -> SensorLevels:
    tags = dict(header.raw_tags)
    stored_height, stored_width = decoded.pixels.shape[:2]
    linear = decoded.pixels.ndim == 3
    active = _active_area(tags, stored_height, stored_width)
    shown = _shown_area(tags, active)
    colours = np.array([[0, 1, 2]]) if linear else _cfa(header, tags)
    black, rest = _dng_black(tags, active, colours.shape, linear)
    white = _dng_white(tags, colours.shape, linear, decoded.white_dn)
    sensor = _sensor(header, colours, black, white, white)
    if not linear:
        sensor = sensor.moved(shown.top - active.top, shown.left - active.left)
    aligned, sensor = _cell_aligned(shown, sensor)
    if rest is not None:
        top, left = aligned.top - active.top, aligned.left - active.left
        rest = rest[top : top + aligned.height, left : left + aligned.width]
    return SensorLevels(active, aligned, sensor, None if linear else colours.astype(np.uint8), rest)


def linearised_levels(header: RawHeader, pixels: npt.NDArray[np.uint16], saturation_dn: Sequence[int]) -> SensorLevels:
    """Areas and levels of a DNG whose numbers are linear already: black 0, white 65535, saturated from where the
    largest stored number lands, per plane."""
    tags = dict(header.raw_tags)
    linear = pixels.ndim == 3
    active = _active_area(tags, pixels.shape[0], pixels.shape[1])
    shown = _shown_area(tags, active)
    colours = np.array([[0, 1, 2]]) if linear else _cfa(header, tags)
    saturation = np.array([saturation_dn], dtype=np.float64) if linear else np.full(colours.shape, saturation_dn[0])
    sensor = _sensor(header, colours, np.zeros(colours.shape), np.full(colours.shape, _FULL_SCALE_DN), saturation)
    if not linear:
        sensor = sensor.moved(shown.top - active.top, shown.left - active.left)
    aligned, sensor = _cell_aligned(shown, sensor)
    return SensorLevels(active, aligned, sensor, None if linear else colours.astype(np.uint8))


def pile_up_dn(
    pixels: npt.NDArray[np.uint16],
    active: Area,
    colours: npt.NDArray[np.int_],
    white_dn: npt.NDArray[np.float64],
    settings: PileUp = PILE_UP,
) -> npt.NDArray[np.float64]:
    """Where each position of the pattern really saturates, as its own numbers show; NaN where they show nothing.

    A table's white level may lie above the value that a body's photosites stop at. Then clipped ones stand in a heap
    at the largest value, and nothing is at the white level.
    """
    period_v, period_h = colours.shape
    found = np.full(colours.shape, np.nan)
    area = pixels[active.top : active.top + active.height, active.left : active.left + active.width]
    step = period_v * settings.row_step
    for i in range(period_v):
        for j in range(period_h):
            values = area[i::step, j::period_h]
            top = int(values.max(initial=0))
            if settings.lowest_share * white_dn[i, j] <= top < white_dn[i, j]:
                at_top = int((values == top).sum())
                near = int(((values < top) & (values >= top - settings.neighbours_dn)).sum())
                if at_top >= settings.least_count and at_top * settings.neighbours_dn > settings.factor * near:
                    found[i, j] = top
    return found


def _active_area(tags: tiff.Tags, height: int, width: int) -> Area:
    stated = tiff.numbers(tags, ACTIVE_AREA)
    if stated is not None and len(stated) == 4 and np.isfinite(stated).all():
        top, left, bottom, right = (int(v) for v in stated)
        if 0 <= top < bottom <= height and 0 <= left < right <= width:
            return Area(top, left, bottom - top, right - left)
    return Area(0, 0, height, width)


def _shown_area(tags: tiff.Tags, active: Area) -> Area:
    """DefaultCropOrigin and DefaultCropSize inside the active area; the whole of it where they do not fit."""
    origin = tiff.numbers(tags, DEFAULT_CROP_ORIGIN) or (0.0, 0.0)
    width, height = crop_size(tags)
    if len(origin) == 2 and np.isfinite(origin).all():
        left, top = (int(v) for v in origin)
        if left >= 0 and top >= 0 and left + width <= active.width and top + height <= active.height:
            return Area(active.top + top, active.left + left, height, width)
    return active


def _cfa(header: RawHeader, tags: tiff.Tags) -> npt.NDArray[np.int_]:
    repeat, pattern = tiff.numbers(tags, tiff.CFA_REPEAT), tiff.numbers(tags, tiff.CFA_PATTERN)
    layout = tiff.number(tags, CFA_LAYOUT, 1.0)
    if repeat is None or pattern is None or len(repeat) != 2 or len(pattern) != repeat[0] * repeat[1]:
        raise _damaged(header, "its colour pattern is missing")
    colours = np.array(pattern, dtype=np.int_).reshape(int(repeat[0]), int(repeat[1]))
    if layout != 1 or colours.shape not in ((2, 2), (6, 6)) or set(colours.ravel()) != {0, 1, 2}:
        raise RawUnreadable(
            f"{limits.printable(header.path)}: a sensor pattern that is not red, green and blue in 2 x 2 or 6 x 6.",
            next_step="Set this frame by hand.",
        )
    return colours


def _dng_black(
    tags: tiff.Tags, active: Area, period: tuple[int, int], linear: bool
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int32] | None]:
    """Black per position of the period at the active area, and the rest that does not repeat with it."""
    values = tiff.numbers(tags, BLACK) or (0.0,)
    repeat = tiff.numbers(tags, BLACK_REPEAT) or (1.0, 1.0)
    down, across = (int(repeat[0]), int(repeat[1])) if len(repeat) == 2 else (1, 1)
    samples = 3 if linear else 1
    if not 1 <= down * across <= len(values) or not np.isfinite(values).all():
        down = across = 1
        values = (values[0] if np.isfinite(values[0]) else 0.0,)
    stated = (
        np.resize(np.array(values), (down, across, samples))
        if len(values) >= samples
        else np.full((down, across, samples), values[0])
    )
    pattern = stated.reshape(down, across * samples)
    rows, columns = _delta(tags, BLACK_DELTA_V, active.height), _delta(tags, BLACK_DELTA_H, active.width)
    repeats = period[0] % pattern.shape[0] == 0 and period[1] % pattern.shape[1] == 0
    if rows is None and columns is None and repeats:
        return np.tile(pattern, (period[0] // pattern.shape[0], period[1] // pattern.shape[1])), None
    width = active.width * samples
    full = np.resize(np.tile(pattern, (1, -(-width // pattern.shape[1])))[:, :width], (active.height, width))
    full = full + (0.0 if rows is None else rows[:, None])
    full = full + (0.0 if columns is None else np.repeat(columns, samples)[None, :])
    mean = np.array([[full[i :: period[0], j :: period[1]].mean() for j in range(period[1])] for i in range(period[0])])
    spread = np.resize(np.tile(mean, (1, -(-width // period[1])))[:, :width], full.shape)
    rest = np.rint(full - spread).astype(np.int32)
    return mean, (rest.reshape(active.height, active.width, samples) if linear else rest)


def _delta(tags: tiff.Tags, tag: int, length: int) -> npt.NDArray[np.float64] | None:
    values = tiff.numbers(tags, tag)
    if values is None or len(values) != length or not np.isfinite(values).all() or not any(values):
        return None
    return np.array(values)


def _dng_white(
    tags: Mapping[int, tiff.TagValue], period: tuple[int, int], linear: bool, default_dn: float
) -> npt.NDArray[np.float64]:
    stated = tiff.numbers(dict(tags), WHITE)
    bits = tiff.number(dict(tags), tiff.BITS, 16.0)
    if stated is None or not np.isfinite(stated).all() or min(stated) <= 0:
        stated = (min(2.0 ** min(bits, 16) - 1, default_dn or _FULL_SCALE_DN),)
    if linear and len(stated) == 3:
        return np.array([stated])
    return np.full(period, stated[0])


def _sensor(
    header: RawHeader,
    colours: npt.NDArray[np.int_],
    black: npt.NDArray[np.float64],
    white: npt.NDArray[np.float64],
    saturation: npt.NDArray[np.float64],
) -> Sensor:
    if not (white > black).all() or (black < 0).any():
        raise _damaged(header, "its white level is not above its black level")
    cell = {(2, 2): (2, 2), (6, 6): (3, 3), (1, 3): (1, 3)}[colours.shape]
    return Sensor(colours, black, white, saturation, *cell)


def _cell_aligned(shown: Area, sensor: Sensor) -> tuple[Area, Sensor]:
    """Start 3 x 3 cells of a 6 x 6 pattern where each holds every colour (a cell may straddle otherwise)."""
    if sensor.period != (6, 6):
        return shown, sensor
    for down in range(3):
        for across in range(3):
            moved = sensor.moved(down, across)
            blocks = moved.colours.reshape(2, 3, 2, 3).swapaxes(1, 2).reshape(4, 9)
            if all(set(block) == {0, 1, 2} for block in blocks):
                area = Area(shown.top + down, shown.left + across, shown.height - down, shown.width - across)
                return area, moved
    return shown, Sensor(sensor.colours, sensor.black_dn, sensor.white_dn, sensor.saturation_dn, 6, 6)


def _damaged(header: RawHeader, reason: str) -> RawUnreadable:
    return RawUnreadable(f"{limits.printable(header.path)}: damaged, {reason}.", next_step=COPY_AGAIN)
