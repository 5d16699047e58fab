"""From a header to numbers: which decoder a file needs, and linear numbers where the stored ones carry a tone curve."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from xmpsync.errors import RawUnreadable
from xmpsync.read import formats, libraw, limits, tiff
from xmpsync.read.header import COPY_AGAIN, RawHeader, refuse_cut_off
from xmpsync.read.linearise import NotLinearisable, apply_tables, plane_tables
from xmpsync.read.opcodes import Shading
from xmpsync.read.partial import PartlyRead, partly_read, several_lossless_strips
from xmpsync.read.sensor_levels import SensorLevels, levels, linearised_levels
from xmpsync.records import Capture

_TABLE_BITS = 16


@dataclass(frozen=True, slots=True, eq=False)
class DecodedFrame:
    """Numbers of the whole stored array, or a file to read them from in parts, with their levels; LibRaw's white
    balance and matrix where it was asked.

    `capture`: the header's, with what only LibRaw knows of formats without Exif; None where there is nothing to add.
    """

    pixels: npt.NDArray[np.uint16] | PartlyRead
    levels: SensorLevels
    camera_white_balance: tuple[float, float, float] | None = None
    camera_from_xyz: npt.NDArray[np.float64] | None = None
    capture: Capture | None = None


def decode_frame(header: RawHeader, shading: Shading) -> DecodedFrame:
    """Decode one file. `shading` is its OpcodeList2. Raises `RawUnreadable`, or OSError where it cannot be opened."""
    raw_tags = dict(header.raw_tags)
    if header.is_dng:
        _refuse_undecodable(header, raw_tags)
        if tiff.data_ends_at(raw_tags) > header.path.stat().st_size:
            refuse_cut_off(header.path)
        if tiff.number(raw_tags, tiff.PHOTOMETRIC) == tiff.LINEAR_RAW and tiff.number(raw_tags, tiff.BITS) == 8:
            return _linear_8_bit(header, raw_tags, shading)
        partly = _in_parts(header, shading)
        if partly is not None:
            return partly
        if several_lossless_strips(raw_tags):
            raise _strips_unread(header.path)
    try:
        decoded = libraw.decode(header.path)
    except libraw.FormatUnsupported as error:
        refuse_cut_off(header.path)
        kind = formats.undecodable(raw_tags, header.capture.make)
        raise _undecodable(header, kind) from error
    except RawUnreadable:
        refuse_cut_off(header.path)
        raise
    if header.is_dng and (decoded.pixels.ndim == 3) != (tiff.number(raw_tags, tiff.PHOTOMETRIC) == tiff.LINEAR_RAW):
        raise RawUnreadable(
            f"{limits.printable(header.path)}: holds several sensor pictures, and not the main one is decoded.",
            next_step=formats.OTHER.way_out,
        )
    if header.is_dng and shading.value_maps:
        return _with_value_maps(header, raw_tags, decoded, shading)
    return DecodedFrame(
        decoded.pixels,
        levels(header, decoded),
        decoded.camera_white_balance,
        decoded.camera_from_xyz,
        None if header.is_dng else _completed(header.capture, decoded),
    )


def _in_parts(header: RawHeader, shading: Shading) -> DecodedFrame | None:
    """A frame that is decoded only where it is looked at; None where the whole has to be decoded.

    Where the tags leave out colours, levels or a curve that LibRaw may know or apply, it is asked.
    """
    if header.profile is None or header.as_shot_neutral is None or shading.value_maps:
        return None
    size = libraw.geometry(header.path)

    def whole() -> npt.NDArray[np.uint16]:
        if several_lossless_strips(dict(header.raw_tags)):
            raise _strips_unread(header.path)
        return libraw.decode(header.path).pixels

    partly = partly_read(header, whole)
    if size is None or partly is None or (size.raw_height, size.raw_width) != partly.shape:
        return None
    # areas and levels of a DNG come from its tags: only the array's shape matters here
    shape_only = np.broadcast_to(np.uint16(0), partly.shape)
    stand_in = libraw.Decoded(size, shape_only, None, (), 0.0, (), None, None)
    found = levels(header, stand_in)
    return None if found.black_rest_dn is not None else DecodedFrame(partly, found)


def _strips_unread(path: Path) -> RawUnreadable:
    """LibRaw decodes the first strip only, and gives the rest of its memory as it found it."""
    return RawUnreadable(
        f"{limits.printable(path)}: its picture lies in several lossless strips that cannot be read here: one of them"
        " is damaged, or of an unusual kind.",
        next_step="Copy the file again from the card or the backup, or convert it to a DNG in tiles.",
    )


def _completed(capture: Capture, decoded: libraw.Decoded) -> Capture | None:
    """The capture with LibRaw's numbers where it has none, for formats that the Exif reader cannot open."""
    if capture.make or capture.model or capture.exposure_s is not None:
        return None
    return replace(
        capture,
        time_s=decoded.time_s,
        exposure_s=decoded.exposure_s,
        f_number=decoded.f_number,
        iso=decoded.iso,
        focal_mm=decoded.focal_mm,
    )


def _refuse_undecodable(header: RawHeader, raw_tags: tiff.Tags) -> None:
    kind = formats.known_undecodable(raw_tags)
    if kind is not None:
        raise _undecodable(header, kind)


def _undecodable(header: RawHeader, kind: formats.Undecodable) -> RawUnreadable:
    return RawUnreadable(
        f"{limits.printable(header.path)}: cannot be decoded here: {kind.name}.", next_step=kind.way_out
    )


def _linear_8_bit(header: RawHeader, raw_tags: tiff.Tags, shading: Shading) -> DecodedFrame:
    """Lossy linear DNG: LibRaw leaves out the black level of these, and the curve of some."""
    limits.check_size(header.path, _size(raw_tags, tiff.WIDTH), _size(raw_tags, tiff.LENGTH))
    try:
        stored = tiff.decode_raw_page(header.path)
    except tiff.PageDamaged as error:
        raise RawUnreadable(
            f"{limits.printable(header.path)}: damaged, its pixels cannot be decoded.", next_step=COPY_AGAIN
        ) from error
    if stored.ndim != 3 or stored.shape[2] != 3 or stored.dtype != np.uint8:
        raise RawUnreadable(
            f"{limits.printable(header.path)}: a linear picture that does not hold red, green and blue.",
            next_step="Set this frame by hand.",
        )
    tables = _tables(header, raw_tags, shading, planes=3, bits=8, curve=True)
    pixels = apply_tables(stored, tables)
    return DecodedFrame(pixels, linearised_levels(header, pixels, [int(table[-1]) for table in tables]))


def _with_value_maps(header: RawHeader, raw_tags: tiff.Tags, decoded: libraw.Decoded, shading: Shading) -> DecodedFrame:
    planes = 3 if decoded.pixels.ndim == 3 else 1
    tables = _tables(header, raw_tags, shading, planes=planes, bits=_TABLE_BITS, curve=False)
    stored = decoded.pixels if planes == 3 else decoded.pixels[..., None]
    pixels = apply_tables(stored, tables)
    pixels = pixels if planes == 3 else pixels[..., 0]
    found = linearised_levels(header, pixels, [int(table[-1]) for table in tables])
    return DecodedFrame(pixels, found, decoded.camera_white_balance, decoded.camera_from_xyz)


def _tables(
    header: RawHeader, raw_tags: tiff.Tags, shading: Shading, *, planes: int, bits: int, curve: bool
) -> list[npt.NDArray[np.uint16]]:
    try:
        return plane_tables(raw_tags, shading.value_maps, planes=planes, bits=bits, curve=curve)
    except NotLinearisable as error:
        raise RawUnreadable(
            f"{limits.printable(header.path)}: its tone curve cannot be undone here ({error}).",
            next_step=formats.OTHER.way_out,
        ) from error


def _size(tags: tiff.Tags, tag: int) -> int:
    value = tiff.number(tags, tag, 0.0)
    return int(value) if np.isfinite(value) else 0
