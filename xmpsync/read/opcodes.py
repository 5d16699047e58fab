"""Lens shading that a DNG asks for: GainMap and FixVignetteRadial of OpcodeList2 and OpcodeList3 (DNG 1.7, chapter 7).

A list is big-endian whatever the file is: count, then per opcode id, version, flags, size, parameters. Both opcodes
are smooth over the picture, so that one gain per cell and channel, taken at the cell's centre, is what a reader that
works through every photosite gets.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FIX_VIGNETTE_RADIAL, MAP_TABLE, MAP_POLYNOMIAL, GAIN_MAP = 3, 7, 8, 9
# Opcodes that move or repair pixels but do not change the level or colour of an area: nothing to do for skin.
_HARMLESS = {1, 2, 4, 5, 6, 14}  # warps, bad pixels, trim, newer warp
_VALUE_MAPS = {MAP_TABLE, MAP_POLYNOMIAL}
_MAX_OPCODES = 1000
# Real pitches are 1 or 2, 6 for a 6 x 6 pattern.
_MAX_PITCH = 64

Float64 = npt.NDArray[np.float64]


class OpcodeListDamaged(ValueError):
    """The bytes of an opcode list do not follow the specification."""


@dataclass(frozen=True, slots=True)
class AreaSpec:
    """Which pixels, planes, rows and columns an opcode touches; pixels from the active area's top left."""

    top: int
    left: int
    bottom: int
    right: int
    plane: int
    planes: int
    row_pitch: int
    column_pitch: int


@dataclass(frozen=True, slots=True, eq=False)
class GainMap:
    """A grid of gains, bilinear inside, constant outside; spacing and origin are fractions of the picture."""

    area: AreaSpec
    spacing_v: float
    spacing_h: float
    origin_v: float
    origin_h: float
    gains: npt.NDArray[np.float32]
    """(points down, points across, map planes)."""

    def at(self, rows: Float64, columns: Float64, plane: int, height: int, width: int) -> Float64:
        """Gains (rows, columns) of `plane`, for pixel-centre coordinates in a picture of height x width pixels."""
        grid = self.gains[:, :, min(plane - self.area.plane, self.gains.shape[2] - 1)].astype(np.float64)
        low_v, high_v, part_v = _between(rows / height, self.origin_v, self.spacing_v, grid.shape[0])
        low_h, high_h, part_h = _between(columns / width, self.origin_h, self.spacing_h, grid.shape[1])
        across = grid[:, low_h] * (1 - part_h) + grid[:, high_h] * part_h
        return across[low_v] * (1 - part_v[:, None]) + across[high_v] * part_v[:, None]


@dataclass(frozen=True, slots=True)
class FixVignetteRadial:
    """gain = 1 + k0 r^2 + k1 r^4 + ... + k4 r^10; r = distance from the centre / distance of its farthest corner."""

    k: tuple[float, float, float, float, float]
    centre_x: float
    centre_y: float

    def at(self, rows: Float64, columns: Float64, height: int, width: int) -> Float64:
        """Gains (rows, columns) for pixel-centre coordinates in a picture of height x width pixels."""
        x, y = self.centre_x * width, self.centre_y * height
        farthest_squared = max(x, width - x) ** 2 + max(y, height - y) ** 2
        r2 = ((columns[None, :] - x) ** 2 + (rows[:, None] - y) ** 2) / farthest_squared
        k0, k1, k2, k3, k4 = self.k
        gain: Float64 = 1 + r2 * (k0 + r2 * (k1 + r2 * (k2 + r2 * (k3 + r2 * k4))))
        return gain


@dataclass(frozen=True, slots=True, eq=False)
class ValueMap:
    """MapPolynomial or MapTable: value -> value of one or more planes. `left_out` where only the presence matters."""

    area: AreaSpec
    polynomial: tuple[float, ...] = ()
    table: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Shading:
    """All gains of a file in order, and the ids of opcodes that change levels and are not applied."""

    gain_maps: tuple[GainMap, ...] = ()
    vignettes: tuple[FixVignetteRadial, ...] = ()
    value_maps: tuple[ValueMap, ...] = ()
    left_out: tuple[int, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.gain_maps or self.vignettes)

    def __add__(self, other: Shading) -> Shading:
        return Shading(
            self.gain_maps + other.gain_maps,
            self.vignettes + other.vignettes,
            self.value_maps + other.value_maps,
            self.left_out + other.left_out,
        )


def _between(
    fraction: Float64, origin: float, spacing: float, points: int
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], Float64]:
    """Neighbouring map points and the part of the second one."""
    if points == 1 or spacing <= 0:
        zero = np.zeros(fraction.shape, dtype=np.intp)
        return zero, zero, np.zeros(fraction.shape)
    place = np.clip((fraction - origin) / spacing, 0, points - 1)
    low = np.minimum(place.astype(np.intp), points - 2)
    return low, low + 1, place - low


def parse(data: bytes | None) -> Shading:
    """The level-changing opcodes of one list. Raises `OpcodeListDamaged`."""
    if not data:
        return Shading()
    gain_maps: list[GainMap] = []
    vignettes: list[FixVignetteRadial] = []
    value_maps: list[ValueMap] = []
    left_out: list[int] = []
    try:
        (count,) = struct.unpack_from(">I", data)
        if count > _MAX_OPCODES:
            raise OpcodeListDamaged(f"{count} opcodes")
        at = 4
        for _ in range(count):
            code, _version, _flags, size = struct.unpack_from(">4I", data, at)
            parameters = data[at + 16 : at + 16 + size]
            if len(parameters) != size:
                raise OpcodeListDamaged("the list ends inside an opcode")
            at += 16 + size
            if code == GAIN_MAP:
                gain_maps.append(_gain_map(parameters))
            elif code == FIX_VIGNETTE_RADIAL:
                *k, x, y = _finite(struct.unpack_from(">7d", parameters))
                vignettes.append(FixVignetteRadial((k[0], k[1], k[2], k[3], k[4]), x, y))
            elif code in _VALUE_MAPS:
                value_maps.append(_value_map(code, parameters))
            elif code not in _HARMLESS:
                left_out.append(code)
    except struct.error as error:
        raise OpcodeListDamaged(str(error)) from error
    return Shading(tuple(gain_maps), tuple(vignettes), tuple(value_maps), tuple(left_out))


def _finite(values: tuple[float, ...]) -> tuple[float, ...]:
    if not np.isfinite(values).all():
        raise OpcodeListDamaged("a value that is no number")
    return values


def _area(parameters: bytes) -> AreaSpec:
    area = AreaSpec(*struct.unpack_from(">8I", parameters))
    if not (1 <= area.row_pitch <= _MAX_PITCH and 1 <= area.column_pitch <= _MAX_PITCH and area.planes >= 1):
        raise OpcodeListDamaged(f"an area with a pitch of {area.row_pitch} x {area.column_pitch}, {area.planes} planes")
    return area


def _gain_map(parameters: bytes) -> GainMap:
    area = _area(parameters)
    down, across = struct.unpack_from(">2I", parameters, 32)
    spacing_v, spacing_h, origin_v, origin_h = struct.unpack_from(">4d", parameters, 40)
    (planes,) = struct.unpack_from(">I", parameters, 72)
    if down * across * planes == 0 or 76 + 4 * down * across * planes != len(parameters):
        raise OpcodeListDamaged(f"a gain map of {down} x {across} x {planes} points in {len(parameters)} bytes")
    gains = np.frombuffer(parameters, dtype=">f4", offset=76).reshape(down, across, planes).astype(np.float32)
    _finite((spacing_v, spacing_h, origin_v, origin_h, float(gains.min()), float(gains.max())))
    return GainMap(area, spacing_v, spacing_h, origin_v, origin_h, gains)


def _value_map(code: int, parameters: bytes) -> ValueMap:
    area = _area(parameters)
    (count,) = struct.unpack_from(">I", parameters, 32)
    if code == MAP_POLYNOMIAL:
        if count > 8:
            raise OpcodeListDamaged(f"a polynomial of degree {count}")
        return ValueMap(area, polynomial=_finite(struct.unpack_from(f">{count + 1}d", parameters, 36)))
    if count > 65536:
        raise OpcodeListDamaged(f"a table of {count} entries")
    return ValueMap(area, table=struct.unpack_from(f">{count}H", parameters, 36))


def cell_gains(
    shading: Shading,
    rows: Float64,
    columns: Float64,
    *,
    height: int,
    width: int,
    pattern: npt.NDArray[np.uint8] | None,
) -> npt.NDArray[np.float32]:
    """Gains (rows, columns, 3) of cells with centres at `rows`, `columns` (pixels from the active area's top left).

    `height` and `width` are the active area's. `pattern`: the CFA's colours at the active area's top left, None for a
    linear picture. For a mosaic a map serves the photosites its pitch selects; two greens of a cell count half each.
    """
    gains = np.ones((rows.size, columns.size, 3))
    for vignette in shading.vignettes:
        gains *= vignette.at(rows, columns, height, width)[:, :, None]
    for gain_map in shading.gain_maps:
        inside = ((rows >= gain_map.area.top) & (rows < gain_map.area.bottom))[:, None] & (
            (columns >= gain_map.area.left) & (columns < gain_map.area.right)
        )
        for channel in range(3):
            share = _share(gain_map.area, channel, pattern)
            if share > 0:
                gain = gain_map.at(rows, columns, channel if pattern is None else 0, height, width)
                gains[:, :, channel] *= np.where(inside, _mixed(gain, share), 1.0)
    return gains.astype(np.float32)


def _mixed(gain: Float64, share: float) -> Float64:
    """Effect of a gain on a channel of which only a share of the photosites is touched.

    Several maps with a share of a half each (one per green) multiply to their geometric mean: equal to the arithmetic
    one within 1e-5 for greens that differ by half a percent, which is what files hold.
    """
    return gain if share == 1.0 else gain**share


def _share(area: AreaSpec, channel: int, pattern: npt.NDArray[np.uint8] | None) -> float:
    """The part of a channel's photosites that an area touches, 0..1."""
    if pattern is None:
        return 1.0 if area.plane <= channel < area.plane + area.planes else 0.0
    if area.plane != 0:
        return 0.0
    span_v = int(np.lcm(pattern.shape[0], area.row_pitch))
    span_h = int(np.lcm(pattern.shape[1], area.column_pitch))
    tiled = np.tile(pattern, (span_v // pattern.shape[0], span_h // pattern.shape[1])) == channel
    touched = np.zeros(tiled.shape, dtype=bool)
    touched[area.top % area.row_pitch :: area.row_pitch, area.left % area.column_pitch :: area.column_pitch] = True
    return float((tiled & touched).sum() / tiled.sum()) if tiled.any() else 0.0
