"""Stored numbers -> linear numbers, for DNG files whose pixels carry a tone curve.

DNG 1.7, chapter 5 ("Mapping Raw Values to Linear Reference Values") and the opcodes MapTable and MapPolynomial of
OpcodeList2: linearisation table, black and white level, then the value maps. Lossy linear DNGs keep 8 bits this way.
The whole chain is one table per plane; what comes out is 0..65535 with black 0.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from xmpsync.read import tiff
from xmpsync.read.opcodes import ValueMap

LINEARIZATION_TABLE, BLACK, WHITE = 50712, 50714, 50717
FULL_SCALE = 65535

Table = npt.NDArray[np.uint16]


class NotLinearisable(ValueError):
    """Value maps that touch only a part of the picture, or invalid levels."""


def plane_tables(raw: tiff.Tags, value_maps: Sequence[ValueMap], *, planes: int, bits: int, curve: bool) -> list[Table]:
    """One table per plane from stored number (0 .. 2^bits - 1) to linear number. Raises `NotLinearisable`.

    `curve`: the stored numbers have not gone through the linearisation table yet.
    """
    height, width = tiff.number(raw, tiff.LENGTH), tiff.number(raw, tiff.WIDTH)
    stored = np.arange(2**bits, dtype=np.float64)
    table = tiff.numbers(raw, LINEARIZATION_TABLE) if curve else None
    if table is not None:
        stored = np.array(table)[np.minimum(np.arange(stored.size), len(table) - 1)]
    tables = []
    for plane in range(planes):
        black, white = _level(raw, BLACK, plane, 0.0), _level(raw, WHITE, plane, 2.0**bits - 1)
        if not white > black >= 0:
            raise NotLinearisable(f"white level {white:g} is not above black level {black:g}")
        x = np.clip((stored - black) / (white - black), 0.0, 1.0)
        for value_map in value_maps:
            area = value_map.area
            if not area.plane <= plane < area.plane + area.planes:
                continue
            whole = area.top == 0 and area.left == 0 and area.bottom >= height and area.right >= width
            if not whole or area.row_pitch != 1 or area.column_pitch != 1:
                raise NotLinearisable("a value map for a part of the picture")
            x = _mapped(x, value_map)
        tables.append(np.rint(x * FULL_SCALE).astype(np.uint16))
    return tables


def apply_tables(stored: npt.NDArray[Any], tables: Sequence[Table]) -> npt.NDArray[np.uint16]:
    """Linear numbers (h, w, planes) of stored ones."""
    out = np.empty(stored.shape, dtype=np.uint16)
    for plane, table in enumerate(tables):
        np.take(table, stored[..., plane], out=out[..., plane], mode="clip")
    return out


def _level(raw: tiff.Tags, tag: int, plane: int, default: float) -> float:
    values = tiff.numbers(raw, tag)
    if values is None:
        return default
    value = values[plane] if plane < len(values) else values[0]
    if not math.isfinite(value):
        raise NotLinearisable("a level that is no number")
    return value


def _mapped(x: npt.NDArray[np.float64], value_map: ValueMap) -> npt.NDArray[np.float64]:
    if value_map.table:
        entries = np.array(value_map.table, dtype=np.float64) / FULL_SCALE
        return entries[np.minimum(np.rint(x * FULL_SCALE).astype(np.intp), entries.size - 1)]
    return np.clip(np.polynomial.polynomial.polyval(x, value_map.polynomial), 0.0, 1.0)
