"""Sums and clipping of blocks of photosites, by colour: the inner loop of every measurement.

A picture is one uint16 array of photosites (h, w); a linear picture (h, w, 3) is seen as (h, 3 w) with the period
1 x 3. Rows are added first, along whole contiguous lines, then columns on what is left: several times faster than
strided access, and exact in integers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

# Photosites that are summed at a time: keeps temporary arrays near 8 MB.
_STRIPE_PHOTOSITES = 2_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Sensor:
    """The photosites of one period, by position: colour 0, 1, 2 (int), black, white and saturation in DN.

    All arrays have the shape of the period: (2, 2), (6, 6), (1, 3) for a linear picture. `cell_height`, `cell_width`:
    photosites of one cell, dividing the period.
    """

    colours: npt.NDArray[np.int_]
    black_dn: npt.NDArray[np.float64]
    white_dn: npt.NDArray[np.float64]
    saturation_dn: npt.NDArray[np.float64]
    cell_height: int
    cell_width: int

    @property
    def period(self) -> tuple[int, int]:
        return self.colours.shape[0], self.colours.shape[1]

    def moved(self, down: int, across: int) -> Sensor:
        """The sensor as seen from a place `down` rows and `across` columns further."""
        shift, axis = (-down, -across), (0, 1)
        return Sensor(
            np.roll(self.colours, shift, axis),
            np.roll(self.black_dn, shift, axis),
            np.roll(self.white_dn, shift, axis),
            np.roll(self.saturation_dn, shift, axis),
            self.cell_height,
            self.cell_width,
        )

    def photosites_per_cell(self) -> tuple[float, float, float]:
        """Photosites of each colour in one cell, averaged over the cells of a period."""
        cells = self.colours.size / (self.cell_height * self.cell_width)
        red, green, blue = (float((self.colours == c).sum()) / cells for c in range(3))
        return red, green, blue


class Photosites(Protocol):
    """What a numpy array (h, w) and a file read in part have in common."""

    @property
    def shape(self) -> tuple[int, ...]: ...

    def __getitem__(self, part: tuple[slice, slice]) -> npt.NDArray[np.uint16]: ...


def cell_means(
    photosites: Photosites, sensor: Sensor, reduce: int
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.bool_]]:
    """Linear camera values (n, m, 3) of blocks of `reduce` x `reduce` cells, and where a photosite is saturated.

    Photosites past the last whole block are left out.
    """
    period_v, period_h = sensor.period
    block_v, block_h = sensor.cell_height * reduce, sensor.cell_width * reduce
    if block_v % period_v or block_h % period_h:
        return _from_single_cells(photosites, sensor, reduce)
    n, m = photosites.shape[0] // block_v, photosites.shape[1] // block_h
    camera = np.zeros((n, m, 3), dtype=np.float32)
    clipped = np.zeros((n, m), dtype=np.bool_)
    step = max(1, _STRIPE_PHOTOSITES // max(1, block_v * photosites.shape[1]))
    for first in range(0, n, step):
        last = min(n, first + step)
        stripe = photosites[first * block_v : last * block_v, : m * block_h]
        _stripe(stripe, sensor, block_v, block_h, camera[first:last], clipped[first:last])
    return camera, clipped


def _stripe(
    stripe: npt.NDArray[np.uint16],
    sensor: Sensor,
    block_v: int,
    block_h: int,
    camera: npt.NDArray[np.float32],
    clipped: npt.NDArray[np.bool_],
) -> None:
    """Fill `camera` and `clipped` (False) of one stripe of whole blocks."""
    period_v, period_h = sensor.period
    n, m = camera.shape[:2]
    repeats = (block_v // period_v) * (block_h // period_h)
    lines = stripe.reshape(n, block_v // period_v, period_v, -1)
    highest = int(stripe.max(initial=0))
    narrow = highest * (block_v // period_v) < 2**16
    planes = np.zeros((3, n, m), dtype=np.float32)
    offsets = np.zeros(3)
    for i in range(period_v):
        total = _add_lines(lines[:, :, i], np.uint16 if narrow else np.uint32)
        for j in range(period_h):
            colour = sensor.colours[i, j]
            black, white = sensor.black_dn[i, j], sensor.white_dn[i, j]
            scale = 1 / ((white - black) * (sensor.colours == colour).sum())
            planes[colour] += _add_columns(total, j, period_h, block_h) * np.float32(scale / repeats)
            offsets[colour] -= black * scale
    for colour in range(3):
        np.add(planes[colour], np.float32(offsets[colour]), out=camera[:, :, colour])
    if highest >= sensor.saturation_dn.min():
        _flag_saturated(lines, sensor, block_h, clipped)


def _add_lines(
    lines: npt.NDArray[np.uint16], kind: type[np.uint16] | type[np.uint32]
) -> npt.NDArray[np.uint16] | npt.NDArray[np.uint32]:
    """Sum over axis 1 of (n, lines, w), line by line, so that memory is read in order. `kind` holds every sum."""
    if lines.shape[1] == 1:
        return lines[:, 0]
    total: npt.NDArray[np.uint16] | npt.NDArray[np.uint32] = np.add(lines[:, 0], lines[:, 1], dtype=kind)
    for k in range(2, lines.shape[1]):
        total += lines[:, k]
    return total


def _add_columns(
    total: npt.NDArray[np.uint16] | npt.NDArray[np.uint32], first: int, period: int, block: int
) -> npt.NDArray[np.float32]:
    """Sum of every `period`-th column from `first` on within blocks of `block` columns."""
    values = total[:, first::block].astype(np.uint32)
    for column in range(first + period, block, period):
        values += total[:, column::block]
    return values.astype(np.float32)


def _flag_saturated(
    lines: npt.NDArray[np.uint16], sensor: Sensor, block_h: int, clipped: npt.NDArray[np.bool_]
) -> None:
    """Set `clipped` where a photosite of a block is at or past its saturation. `lines`: (n, repeats, period, w)."""
    for i in range(sensor.period[0]):
        highest = lines[:, :, i].max(axis=1)
        for j in range(sensor.period[1]):
            for column in range(j, block_h, sensor.period[1]):
                clipped |= highest[:, column::block_h] >= sensor.saturation_dn[i, j]


def _from_single_cells(
    photosites: Photosites, sensor: Sensor, reduce: int
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.bool_]]:
    """For blocks that are no whole number of periods (3 x 3 cells of a 6 x 6 pattern): cell by cell, then averaged."""
    height, width = sensor.cell_height * reduce, sensor.cell_width * reduce
    n, m = photosites.shape[0] // height, photosites.shape[1] // width
    camera = np.zeros((n, m, 3), dtype=np.float32)
    clipped = np.zeros((n, m), dtype=np.bool_)
    # stripes of whole blocks that also start on a whole period
    unit = int(np.lcm(height, sensor.period[0])) // height
    step = unit * max(1, _STRIPE_PHOTOSITES // max(1, unit * height * photosites.shape[1]))
    for first in range(0, n, step):
        last = min(n, first + step)
        stripe = photosites[first * height : last * height, : m * width]
        cells, over = _single_cells(stripe, sensor)
        rows = last - first
        camera[first:last] = cells.reshape(rows, reduce, m, reduce, 3).mean(axis=(1, 3))
        clipped[first:last] = over.reshape(rows, reduce, m, reduce).any(axis=(1, 3))
    return camera, clipped


def _single_cells(
    stripe: npt.NDArray[np.uint16], sensor: Sensor
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.bool_]]:
    """Cells (n, m, 3) of a stripe that starts on a period: one strided look per position of a cell."""
    cell_v, cell_h = sensor.cell_height, sensor.cell_width
    n, m = stripe.shape[0] // cell_v, stripe.shape[1] // cell_h
    sums = np.zeros((n, m, 3), dtype=np.float32)
    counts = np.zeros((n, m, 3), dtype=np.float32)
    clipped = np.zeros((n, m), dtype=np.bool_)
    for i in range(sensor.period[0]):
        for j in range(sensor.period[1]):
            values = stripe[i :: sensor.period[0], j :: sensor.period[1]]
            colour = sensor.colours[i, j]
            black, white = sensor.black_dn[i, j], sensor.white_dn[i, j]
            place = (
                slice(i // cell_v, n, sensor.period[0] // cell_v),
                slice(j // cell_h, m, sensor.period[1] // cell_h),
            )
            target = sums[(*place, colour)]
            values = values[: target.shape[0], : target.shape[1]]
            target += (values.astype(np.float32) - np.float32(black)) * np.float32(1 / (white - black))
            counts[(*place, colour)] += 1
            clipped[place] |= values >= sensor.saturation_dn[i, j]
    np.maximum(counts, 1, out=counts)
    sums /= counts
    return sums, clipped
