"""Write DNG frames: a mosaic or linear RAW with colour tags, Exif, preview and packet, as a camera would.

Sources: DNG specification 1.7 (tags 50706 and up), TIFF 6.0, Exif 2.32 (CIPA DC-008), XMP Specification part 3
(tag 700). The layout is the one the DNG specification recommends: IFD 0 a small thumbnail with the tags of the whole
file, SubIFD 0 the RAW picture, SubIFD 1 a JPEG preview.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import tifffile

from xmpsync.tiff_layout import TiffField, written_out

IDENTITY = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
XTRANS_6X6 = "GGRGGBGGBGGRBRGRBGGGBGGRGGRGGBRBGBRG"
"""A 6 x 6 pattern with every colour in each row and column."""

_EXIF_IFD = 34665
_COLOURS = {"R": 0, "G": 1, "B": 2}
_MATRIX_DENOMINATOR = 1_000_000
_BYTE, _ASCII, _SHORT, _LONG, _RATIONAL, _UNDEFINED, _SRATIONAL, _DOUBLE = 1, 2, 3, 4, 5, 7, 10, 12

Matrix = Sequence[Sequence[float]]


@dataclass(frozen=True)
class DngProfile:
    """The colour tags of a DNG. Matrices are row-major 3 x 3; None leaves the tag out.

    `illuminant_1`, `illuminant_2` are Exif LightSource codes (17 = A, 21 = D65). `as_shot_neutral` is the camera
    value of a neutral under the white the camera chose; `as_shot_xy` its chromaticity (the file has one or neither).
    `noise_profile` is (scale, offset) once for all planes, or one pair per plane.
    """

    color_matrix_1: Matrix | None = None
    color_matrix_2: Matrix | None = None
    illuminant_1: int | None = 17
    illuminant_2: int | None = 21
    forward_matrix_1: Matrix | None = None
    forward_matrix_2: Matrix | None = None
    camera_calibration_1: Matrix | None = None
    camera_calibration_2: Matrix | None = None
    analog_balance: Sequence[float] | None = None
    as_shot_neutral: Sequence[float] | None = None
    as_shot_xy: Sequence[float] | None = None
    baseline_exposure_ev: float | None = None
    noise_profile: Sequence[tuple[float, float]] | None = None


@dataclass(frozen=True)
class DngExif:
    """What the camera wrote down. None leaves the tag out."""

    time: datetime | None = None
    subsec: str | None = None
    utc_offset: str | None = None
    exposure_s: float | None = None
    f_number: float | None = None
    iso: int | None = None
    focal_mm: float | None = None
    flash_fired: bool | None = None
    serial: str | None = None
    lens: str | None = None


def write_dng(
    path: Path | str,
    mosaic: np.ndarray,
    *,
    profile: DngProfile | None = None,
    exif: DngExif | None = None,
    cfa: str = "RGGB",
    black: float | Sequence[float] = 0,
    white: int = 16383,
    orientation: int = 1,
    make: str = "Village Optics",
    model: str = "Choir One",
    unique_model: str | None = None,
    preview_rgb: np.ndarray | None = None,
    preview_quality: int = 85,
    xmp: bytes | None = None,
    compress: bool = True,
    tile: int | None = None,
    active_area: tuple[int, int, int, int] | None = None,
    big_endian: bool = False,
) -> None:
    """Write one DNG file; LibRaw reads exactly the given numbers back.

    Parameters
    ----------
    mosaic
        uint16, (h, w) for a colour filter array, (h, w, 3) for linear RAW; stored as given, `orientation` (Exif 1..8)
        only says how to turn it. Even sides when compressed.
    cfa
        Colours of the pattern row by row: 4 letters of 2 x 2, or 36 of 6 x 6 (`XTRANS_6X6`). Unused for linear RAW.
    black
        Black level in DN: one number, or one per place of the pattern (2 x 2 or 6 x 6), or three for linear RAW.
    white
        White level in DN (also decides the bits of the lossless JPEG).
    preview_rgb
        uint8 (h, w, 3), stored turned as `mosaic` is; goes in as JPEG, and scaled down as the thumbnail.
    xmp
        A whole packet for tag 700.
    compress
        Lossless JPEG (compression 7) instead of plain 16-bit numbers; linear RAW stays plain, since no encoder at
        hand writes three planes.
    tile
        Side of square tiles, a multiple of 16; None writes one strip.
    active_area
        Top, left, bottom, right in photosites.

    Raises
    ------
    ValueError
        For a mosaic or pattern that cannot be stored as asked.
    """
    if mosaic.dtype != np.uint16 or mosaic.ndim not in (2, 3) or (mosaic.ndim == 3 and mosaic.shape[2] != 3):
        raise ValueError("the mosaic must be uint16, (h, w) or (h, w, 3)")
    if mosaic.ndim == 2 and (len(cfa) not in (4, 36) or set(cfa) - set(_COLOURS)):
        raise ValueError("the pattern must have 4 or 36 letters of R, G, B")
    if not 1 <= orientation <= 8:
        raise ValueError("orientation must be 1..8")
    thumbnail = _thumbnail(preview_rgb)
    tags = _shared_tags(profile or DngProfile(), make, model, unique_model, orientation, xmp)
    plain: dict[str, Any] = {"metadata": None, "software": False, "contiguous": False}
    buffer = io.BytesIO()
    with tifffile.TiffWriter(buffer, byteorder=">" if big_endian else "<", bigtiff=False) as tiff:
        tiff.write(
            thumbnail, photometric="rgb", subfiletype=1, subifds=1 + (preview_rgb is not None), extratags=tags, **plain
        )
        raw_tags = _raw_tags(mosaic, cfa, black, white, active_area)
        photometric = 32803 if mosaic.ndim == 2 else 34892
        if compress and mosaic.ndim == 2:
            _write_compressed(tiff, mosaic, photometric, raw_tags, white, tile, len(cfa) == 4, plain)
        else:
            layout = {"tile": (tile, tile)} if tile else {"rowsperstrip": mosaic.shape[0]}
            tiff.write(mosaic, photometric=photometric, subfiletype=0, extratags=raw_tags, **layout, **plain)
        if preview_rgb is not None:
            jpeg = imagecodecs.jpeg8_encode(np.ascontiguousarray(preview_rgb), level=preview_quality)
            tiff.write(
                iter([jpeg]),
                shape=preview_rgb.shape,
                dtype=np.uint8,
                photometric="ycbcr",
                compression=7,
                subfiletype=1,
                rowsperstrip=preview_rgb.shape[0],
                **plain,
            )
    data = _with_exif_ifd(buffer.getvalue(), exif or DngExif(), ">" if big_endian else "<")
    Path(path).write_bytes(data)


def stored_from_upright(picture: np.ndarray, orientation: int) -> np.ndarray:
    """The picture as it is stored so that Exif `orientation` turns it back upright: the inverse of the Exif rule."""
    inverse = {
        1: lambda p: p,
        2: lambda p: p[:, ::-1],
        3: lambda p: p[::-1, ::-1],
        4: lambda p: p[::-1],
        5: lambda p: np.swapaxes(p, 0, 1),
        6: lambda p: np.rot90(p, 1),
        7: lambda p: np.rot90(np.swapaxes(p, 0, 1), 2),
        8: lambda p: np.rot90(p, -1),
    }
    return np.ascontiguousarray(inverse[orientation](picture))


def mosaic_from_rgb(rgb: np.ndarray, cfa: str = "RGGB") -> np.ndarray:
    """(h, w) of one colour per photosite, picked from (h, w, 3) by the pattern."""
    side = 2 if len(cfa) == 4 else 6
    mosaic = np.empty(rgb.shape[:2], rgb.dtype)
    for index, letter in enumerate(cfa):
        row, column = divmod(index, side)
        mosaic[row::side, column::side] = rgb[row::side, column::side, _COLOURS[letter]]
    return mosaic


def _thumbnail(preview_rgb: np.ndarray | None) -> np.ndarray:
    if preview_rgb is None:
        return np.zeros((16, 16, 3), np.uint8)
    step = max(2, max(preview_rgb.shape[:2]) // 128)  # always smaller than the preview
    return np.ascontiguousarray(preview_rgb[::step, ::step])


def _write_compressed(
    tiff: Any,
    mosaic: np.ndarray,
    photometric: int,
    tags: list[tuple[Any, ...]],
    white: int,
    tile: int | None,
    bayer: bool,
    plain: dict[str, Any],
) -> None:
    height, width = mosaic.shape
    if height % 2 or width % 2:
        raise ValueError("lossless JPEG needs even sides")
    bits = max(8, int(max(white, int(mosaic.max()))).bit_length())

    def encode(block: np.ndarray) -> bytes:
        # two rows side by side, so that neighbours of one colour predict each other
        flat = block.reshape(block.shape[0] // 2, 2 * block.shape[1]) if bayer else block
        return bytes(imagecodecs.ljpeg_encode(np.ascontiguousarray(flat), bitspersample=bits))

    def blocks() -> Iterator[bytes]:
        if not tile:
            yield encode(mosaic)
            return
        padded = np.pad(mosaic, ((0, -height % tile), (0, -width % tile)), mode="symmetric")
        for top in range(0, height, tile):
            for left in range(0, width, tile):
                yield encode(padded[top : top + tile, left : left + tile])

    layout: dict[str, Any] = {"tile": (tile, tile)} if tile else {"rowsperstrip": height}
    tiff.write(
        blocks(),
        shape=mosaic.shape,
        dtype=np.uint16,
        photometric=photometric,
        compression=7,
        subfiletype=0,
        extratags=tags,
        **layout,
        **plain,
    )


def _raw_tags(
    mosaic: np.ndarray,
    cfa: str,
    black: float | Sequence[float],
    white: int,
    active_area: tuple[int, int, int, int] | None,
) -> list[tuple[Any, ...]]:
    tags: list[tuple[Any, ...]] = []
    levels = [float(v) for v in np.atleast_1d(np.asarray(black, float)).ravel()]
    planes = 3 if mosaic.ndim == 3 else 1
    if mosaic.ndim == 2:
        side = 2 if len(cfa) == 4 else 6
        if len(levels) not in (1, side * side):
            raise ValueError("one black level, or one per place of the pattern")
        repeat = side if len(levels) > 1 else 1
        pattern = bytes(_COLOURS[letter] for letter in cfa)
        tags += [
            (33421, _SHORT, 2, (side, side)),
            (33422, _BYTE, len(pattern), pattern),
            (50710, _BYTE, 3, bytes((0, 1, 2))),
            (50711, _SHORT, 1, 1),
        ]
    else:
        repeat = 1
        levels = levels * 3 if len(levels) == 1 else levels
        if len(levels) != 3:
            raise ValueError("one black level, or three")
    tags += [
        (50713, _SHORT, 2, (repeat, repeat)),
        (50714, _RATIONAL, len(levels), _rationals(levels, 256)),
        (50717, _LONG, planes, (white,) * planes if planes > 1 else white),
    ]
    if active_area is not None:
        tags.append((50829, _LONG, 4, active_area))
    return [(code, kind, count, value, True) for code, kind, count, value in tags]


def _shared_tags(
    profile: DngProfile, make: str, model: str, unique_model: str | None, orientation: int, xmp: bytes | None
) -> list[tuple[Any, ...]]:
    tags: list[tuple[Any, ...]] = [
        (271, _ASCII, 0, make),
        (272, _ASCII, 0, model),
        (274, _SHORT, 1, orientation),
        (_EXIF_IFD + 1, _LONG, 1, 0),  # its neighbour in the sort order keeps the place for the Exif IFD
        (50706, _BYTE, 4, bytes((1, 4, 0, 0))),
        (50707, _BYTE, 4, bytes((1, 1, 0, 0))),
        (50708, _ASCII, 0, unique_model or f"{make} {model}"),
    ]
    matrices = (
        (50721, profile.color_matrix_1),
        (50722, profile.color_matrix_2),
        (50723, profile.camera_calibration_1),
        (50724, profile.camera_calibration_2),
        (50964, profile.forward_matrix_1),
        (50965, profile.forward_matrix_2),
    )
    for code, matrix in matrices:
        if matrix is not None:
            tags.append((code, _SRATIONAL, 9, _rationals(np.asarray(matrix, float).ravel(), _MATRIX_DENOMINATOR)))
    if profile.analog_balance is not None:
        tags.append((50727, _RATIONAL, 3, _rationals(profile.analog_balance, _MATRIX_DENOMINATOR)))
    if profile.as_shot_neutral is not None:
        tags.append((50728, _RATIONAL, 3, _rationals(profile.as_shot_neutral, _MATRIX_DENOMINATOR)))
    if profile.as_shot_xy is not None:
        tags.append((50729, _RATIONAL, 2, _rationals(profile.as_shot_xy, _MATRIX_DENOMINATOR)))
    if profile.baseline_exposure_ev is not None:
        tags.append((50730, _SRATIONAL, 1, _rationals([profile.baseline_exposure_ev], 1000)))
    if profile.color_matrix_1 is not None and profile.illuminant_1 is not None:
        tags.append((50778, _SHORT, 1, profile.illuminant_1))
    if profile.color_matrix_2 is not None and profile.illuminant_2 is not None:
        tags.append((50779, _SHORT, 1, profile.illuminant_2))
    if profile.noise_profile is not None:
        flat = [float(v) for pair in profile.noise_profile for v in pair]
        tags.append((51041, _DOUBLE, len(flat), tuple(flat)))
    if xmp is not None:
        tags.append((700, _BYTE, len(xmp), xmp))
    return [(code, kind, count, value, True) for code, kind, count, value in tags]


def _rationals(values: Sequence[float] | np.ndarray, denominator: int) -> tuple[int, ...]:
    flat: list[int] = []
    for value in values:
        flat += [round(float(value) * denominator), denominator]
    return tuple(flat)


def _exposure_rational(seconds: float) -> tuple[int, int]:
    if seconds < 0.3:
        return (100_000, round(100_000 / seconds))
    return (round(seconds * 1000), 1000)


def _with_exif_ifd(data: bytes, exif: DngExif, order: str) -> bytes:
    """The file with an Exif IFD at its end and the placeholder of IFD 0 pointing there."""
    fields: list[TiffField] = []

    def ascii_(code: int, text: str | None) -> None:
        if text is not None:
            fields.append(TiffField(code, _ASCII, text.encode("ascii") + b"\0"))

    def rational(code: int, pair: tuple[int, int] | None) -> None:
        if pair is not None:
            fields.append(TiffField(code, _RATIONAL, struct.pack(order + "II", *pair)))

    def short(code: int, value: int | None) -> None:
        if value is not None:
            fields.append(TiffField(code, _SHORT, struct.pack(order + "H", value)))

    when = exif.time.strftime("%Y:%m:%d %H:%M:%S") if exif.time else None
    subsec = exif.subsec
    if subsec is None and exif.time is not None and exif.time.microsecond:
        subsec = f"{exif.time.microsecond // 1000:03d}"
    rational(33434, None if exif.exposure_s is None else _exposure_rational(exif.exposure_s))
    rational(33437, None if exif.f_number is None else (round(exif.f_number * 10), 10))
    short(34855, exif.iso)
    fields.append(TiffField(36864, _UNDEFINED, b"0232"))
    ascii_(36867, when)
    ascii_(36868, when)
    ascii_(36881, exif.utc_offset)
    short(37385, None if exif.flash_fired is None else int(exif.flash_fired))
    rational(37386, None if exif.focal_mm is None else (round(exif.focal_mm * 10), 10))
    ascii_(37521, subsec)
    ascii_(37522, subsec)
    ascii_(42033, exif.serial)
    ascii_(42036, exif.lens)

    out = bytearray(data)
    out += b"\0" * (len(out) % 2)
    start = len(out)
    out += written_out(order, start, fields)

    (ifd0,) = struct.unpack_from(order + "I", out, 4)
    (count,) = struct.unpack_from(order + "H", out, ifd0)
    for entry in range(ifd0 + 2, ifd0 + 2 + 12 * count, 12):
        if struct.unpack_from(order + "H", out, entry)[0] == _EXIF_IFD + 1:
            struct.pack_into(order + "HHII", out, entry, _EXIF_IFD, _LONG, 1, start)
            return bytes(out)
    raise AssertionError("the placeholder of the Exif IFD is missing")
