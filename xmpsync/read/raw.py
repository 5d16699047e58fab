"""A decoded RAW frame: photosites copied out of the file, and linear camera colours of any part of it, upright."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import numpy.typing as npt

from xmpsync.errors import RawUnreadable
from xmpsync.read import limits, opcodes
from xmpsync.read.blocks import Photosites, Sensor, cell_means
from xmpsync.read.decode import decode_frame
from xmpsync.read.header import COPY_AGAIN, RawHeader, read_header, unreadable_file
from xmpsync.read.noise import after_gain, noise_model
from xmpsync.read.orientation import TRANSPOSED, stored_box, upright_array, upright_box
from xmpsync.read.partial import PartlyRead
from xmpsync.read.sensor_levels import Area, SensorLevels
from xmpsync.records import Box, Vec3
from xmpsync.skin.records import Cells, NoiseModel

WHOLE = Box(0.0, 0.0, 1.0, 1.0)


@dataclass(frozen=True, eq=False)
class RawImage:
    """One decoded frame; holds no file. `header` is the one it was opened with, its capture completed by LibRaw where
    the format has no Exif.

    `photosites`: uint16, of the shown area, as stored (not turned): (h, w) of a mosaic, (h, 3 w) of a linear picture.
    Where the container allows it they stay in the file until cells are asked for (`PartlyRead`).
    `sensor`: colours and levels by position, from the shown area's top left. `as_shot_neutral`: the camera value of
    the white that the camera chose, largest 1, from the file's tags or LibRaw; None where neither knows.
    `camera_from_xyz`: LibRaw's table matrix, None where it has none. `notes`: what a reader of results should know.
    """

    header: RawHeader
    photosites: Photosites
    sensor: Sensor
    area: Area
    active: Area
    colours_at_active: npt.NDArray[np.uint8] | None
    noise: NoiseModel
    shading_before: opcodes.Shading
    shading_after: opcodes.Shading
    as_shot_neutral: Vec3 | None
    camera_from_xyz: npt.NDArray[np.float64] | None
    notes: tuple[str, ...] = field(default=())

    @property
    def orientation(self) -> int:
        return self.header.capture.orientation

    @property
    def linear(self) -> bool:
        return self.colours_at_active is None

    @cached_property
    def stored_cells(self) -> tuple[int, int]:
        """Whole cells down and across, as stored."""
        height, width = self.photosites.shape
        return height // self.sensor.cell_height, width // self.sensor.cell_width

    @property
    def cells_shape(self) -> tuple[int, int]:
        """Whole cells down and across, of the upright picture."""
        down, across = self.stored_cells
        return (across, down) if self.orientation in TRANSPOSED else (down, across)

    def cells(self, box: Box | None = None, reduce: int = 1) -> Cells:
        """Linear camera colours of the upright picture or of the cells that `box` touches.

        `reduce` averages blocks of `reduce` x `reduce` cells; a block with one saturated photosite counts as clipped.
        The result's `box` is exactly the area covered. A box outside the picture gives no cells (0, 0, 3).
        Lens shading that the file asks for is applied. Memory: 13 bytes per cell that comes out, and a few megabytes.
        """
        if reduce < 1:
            raise ValueError(f"reduce must be at least 1, not {reduce}")
        wanted = stored_box(WHOLE if box is None else box, self.orientation)
        top, bottom = self._range(wanted.top, wanted.height, 0, reduce)
        left, right = self._range(wanted.left, wanted.width, 1, reduce)
        cell_v, cell_h = self.sensor.cell_height, self.sensor.cell_width
        sensor = self.sensor.moved(top * cell_v, left * cell_h)
        rows, columns = slice(top * cell_v, bottom * cell_v), slice(left * cell_h, right * cell_h)
        if isinstance(self.photosites, PartlyRead) and self.photosites.by_rows:  # a few rows in memory at a time
            window = rows.start, columns.start, max(0, rows.stop - rows.start), max(0, columns.stop - columns.start)
            with self.photosites.moved(*window).kept_open() as part:
                camera, clipped = cell_means(part, sensor, reduce)
        else:
            camera, clipped = cell_means(self.photosites[rows, columns], sensor, reduce)
        noise = self._shade(camera, top, left, reduce)
        covered = self._box(top, left, camera.shape[0] * reduce, camera.shape[1] * reduce)
        red, green, blue = (n * reduce * reduce for n in sensor.photosites_per_cell())
        return Cells(
            camera=np.ascontiguousarray(upright_array(camera, self.orientation)),
            clipped=np.ascontiguousarray(upright_array(clipped, self.orientation)),
            box=upright_box(covered, self.orientation),
            noise=noise,
            n_photosites=(red, green, blue),
        )

    def upright(self, stored: Box) -> Box:
        """Where a box of the stored picture lies in the upright one."""
        return upright_box(stored, self.orientation)

    def _range(self, start: float, length: float, axis: int, reduce: int) -> tuple[int, int]:
        """First and last + 1 of the whole cells that a part of the picture touches, in whole blocks."""
        shown = self.area.height if axis == 0 else self.area.width
        cell = self.sensor.cell_height if axis == 0 else self._cell_width_px
        count = self.stored_cells[axis]
        if not (math.isfinite(start) and math.isfinite(length)):
            raise ValueError("a box must have finite numbers")
        # a box that was made from whole cells must give them back: allow for rounding of the fractions
        first = max(0, math.floor(start * shown / cell + 1e-6))
        last = min(count, math.ceil((start + length) * shown / cell - 1e-6))
        blocks = -(-(last - first) // reduce)
        last = min(first + blocks * reduce, first + (count - first) // reduce * reduce)
        return (first, last) if last > first else (0, 0)

    @property
    def _cell_width_px(self) -> int:
        return 1 if self.linear else self.sensor.cell_width

    def _box(self, top: int, left: int, down: int, across: int) -> Box:
        cell_v, cell_h = self.sensor.cell_height, self._cell_width_px
        height, width = self.area.height, self.area.width
        return Box(left * cell_h / width, top * cell_v / height, across * cell_h / width, down * cell_v / height)

    def _shade(self, camera: npt.NDArray[np.float32], top: int, left: int, reduce: int) -> NoiseModel:
        """Apply the file's lens shading to stored cells in place; the noise model that goes with them."""
        if not (self.shading_before or self.shading_after) or camera.size == 0:
            return self.noise
        cell_v, cell_h = self.sensor.cell_height, self._cell_width_px
        rows = (
            self.area.top
            - self.active.top
            + (top + (np.arange(camera.shape[0], dtype=np.float64) + 0.5) * reduce) * cell_v
        )
        columns = (
            self.area.left
            - self.active.left
            + (left + (np.arange(camera.shape[1], dtype=np.float64) + 0.5) * reduce) * cell_h
        )
        means = np.ones(3)
        for shading, pattern in ((self.shading_before, self.colours_at_active), (self.shading_after, None)):
            if shading:
                gains = opcodes.cell_gains(
                    shading, rows, columns, height=self.active.height, width=self.active.width, pattern=pattern
                )
                camera *= gains
                means *= gains.mean(axis=(0, 1))
        return after_gain(self.noise, (float(means[0]), float(means[1]), float(means[2])))


def open_raw(path: Path, header: RawHeader | None = None) -> RawImage:
    """Decode one file, or find where its parts lie; it is closed when this returns.

    Raises `RawUnreadable`, naming the file, for a missing, truncated, damaged or undecodable one.
    """
    header = read_header(path) if header is None else header
    before, after, notes = _shading(header)
    try:
        decoded = decode_frame(header, before)
    except OSError as error:
        raise unreadable_file(path, error) from error
    except MemoryError as error:
        raise RawUnreadable(
            f"{limits.printable(path)}: too large for the memory one frame may take.",
            next_step="Leave it out with --frames, or run on a machine with more memory.",
        ) from error
    found = decoded.levels
    if decoded.capture is not None:
        header = replace(header, capture=decoded.capture)
    neutral = header.as_shot_neutral or _neutral(decoded.camera_white_balance)
    if found.shown.height < found.sensor.cell_height or found.shown.width < found.sensor.cell_width:
        raise RawUnreadable(f"{limits.printable(path)}: damaged, its picture has no area.", next_step=COPY_AGAIN)
    return RawImage(
        header=header,
        photosites=_photosites(decoded.pixels, found),
        sensor=found.sensor,
        area=found.shown,
        active=found.active,
        colours_at_active=found.colours_at_active,
        noise=noise_model(header.noise_profile, header.capture.iso),
        shading_before=before,
        shading_after=after,
        as_shot_neutral=neutral,
        camera_from_xyz=decoded.camera_from_xyz,
        notes=notes,
    )


def _photosites(pixels: npt.NDArray[np.uint16] | PartlyRead, found: SensorLevels) -> Photosites:
    area = found.shown
    if isinstance(pixels, PartlyRead):
        return pixels.moved(area.top, area.left, area.height, area.width)
    part = pixels[area.top : area.top + area.height, area.left : area.left + area.width]
    if found.black_rest_dn is not None:
        # saturated photosites stay saturated, whatever their own black is
        saturated = part >= found.sensor.saturation_dn.min()
        part = np.where(saturated, part, np.clip(part - found.black_rest_dn, 0, 65535)).astype(np.uint16)
    return part.reshape(part.shape[0], -1)


def _neutral(multipliers: tuple[float, float, float] | None) -> Vec3 | None:
    """The camera neutral of white-balance multipliers, largest 1."""
    if multipliers is None:
        return None
    largest = 1 / min(multipliers)
    red, green, blue = (1 / m / largest for m in multipliers)
    return red, green, blue


def _shading(header: RawHeader) -> tuple[opcodes.Shading, opcodes.Shading, tuple[str, ...]]:
    """Shading before and after demosaicing, and a note on opcodes that change levels and are left out."""
    try:
        before, after = opcodes.parse(header.opcode_list_2), opcodes.parse(header.opcode_list_3)
    except opcodes.OpcodeListDamaged as error:
        raise RawUnreadable(
            f"{limits.printable(header.path)}: damaged, its list of corrections cannot be read ({error}).",
            next_step=COPY_AGAIN,
        ) from error
    left_out = sorted({*before.left_out, *after.left_out})
    note = f"The DNG asks for corrections that are not applied here (opcodes {', '.join(map(str, left_out))})."
    return before, after, (note,) if left_out else ()
