"""Photosites of a DNG read piece by piece: uncompressed rows from their places, lossless tiles one by one.

A face covers some percent of a frame, so that a container which can be entered anywhere is decoded there only. What
comes out is what LibRaw's unpack gives, number for number (the tests compare them on every layout accepted here). Only
layouts whose reading is plain are accepted (TIFF 6.0; DNG 1.7 chapter 2; lossless JPEG: ITU-T T.81 annex H);
everything else, and every tile that does not decode as its directory says, is left to LibRaw.
"""

from __future__ import annotations

import io
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO

import imagecodecs
import numpy as np
import numpy.typing as npt

from xmpsync.errors import RawUnreadable
from xmpsync.read import limits, tiff
from xmpsync.read.header import COPY_AGAIN, RawHeader, unreadable_file

Pixels = npt.NDArray[np.uint16]

_FILL_ORDER, _STRIP_OFFSETS, _ROWS_PER_STRIP, _STRIP_BYTES, _PREDICTOR = 266, 273, 278, 279, 317
_TILE_WIDTH, _TILE_LENGTH, _TILE_OFFSETS, _TILE_BYTES, _SAMPLE_FORMAT = 322, 323, 324, 325, 339
_LINEARIZATION_TABLE, _WHITE = 50712, 50717
_UNCOMPRESSED, _LOSSLESS_JPEG = 1.0, 7.0
_KEPT_TILES = 64
"""Decoded tiles that are kept: faces and their neighbours ask for the same ones. 8 MB at 256 x 256."""


class _Unexpected(Exception):
    """A tile that is not what its directory says."""


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where the pieces lie: a grid of tiles, strips (the last may be shorter), or one piece of all."""

    width: int
    height: int
    bits: int
    lossless: bool
    tile_width: int
    tile_height: int
    offsets: tuple[int, ...]
    lengths: tuple[int, ...]
    strips: bool = False

    def rows(self, number: int) -> int:
        """Rows of a piece."""
        last = self.strips and (number + 1) * self.tile_height > self.height
        return self.height - number * self.tile_height if last else self.tile_height

    @property
    def across(self) -> int:
        return -(-self.width // self.tile_width)


@dataclass(eq=False)
class PartlyRead:
    """The stored array (h, w) of one file, or a window of it; a slice opens the file and decodes what it needs.

    `whole` decodes everything, for what turns out not to be readable in parts. Slices raise `RawUnreadable`.
    """

    _path: Path
    _layout: _Layout
    _byte_order: str
    _whole: Callable[[], Pixels]
    window: tuple[int, int, int, int]
    _tiles: OrderedDict[int, Pixels] = field(default_factory=OrderedDict)
    _fallback: Pixels | None = None
    _file: BinaryIO | None = None

    @property
    def shape(self) -> tuple[int, int]:
        return self.window[2], self.window[3]

    @property
    def lossless(self) -> bool:
        """Whether reading costs decoding, so that less of it is better."""
        return self._layout.lossless

    @property
    def by_rows(self) -> bool:
        """Whether rows follow each other in the file, to be read a few at a time."""
        layout = self._layout
        return not layout.lossless and (layout.tile_width, layout.tile_height) == (layout.width, layout.height)

    def __getitem__(self, part: tuple[slice, slice]) -> Pixels:
        top, left, height, width = self.window
        rows, columns = part[0].indices(height), part[1].indices(width)
        first_row, last_row = top + rows[0], top + max(rows[0], rows[1])
        first_column, last_column = left + columns[0], left + max(columns[0], columns[1])
        if self._fallback is None:
            try:
                with self._opened() as file:
                    found = self._read(file, first_row, last_row, first_column, last_column)
                return found[:: rows[2], :: columns[2]]
            except OSError as error:
                raise unreadable_file(self._path, error) from error
            except _Unexpected:
                self._fallback = self._whole()
                self._tiles.clear()
        return self._fallback[first_row : last_row : rows[2], first_column : last_column : columns[2]]

    @contextmanager
    def kept_open(self) -> Iterator[PartlyRead]:
        """The same for several slices, with the file opened once. Raises `RawUnreadable`."""
        try:
            file = self._path.open("rb")
        except OSError as error:
            raise unreadable_file(self._path, error) from error
        with file:
            yield replace(self, _file=file)

    def _opened(self) -> AbstractContextManager[BinaryIO]:
        return nullcontext(self._file) if self._file is not None else self._path.open("rb")

    def can_be_read(self) -> bool:
        """Whether the first piece decodes as its directory says. Raises like a slice."""
        try:
            with self._path.open("rb") as file:
                self._read(file, 0, 1, 0, 1)
        except _Unexpected:
            return False
        except OSError as error:
            raise unreadable_file(self._path, error) from error
        return True

    def moved(self, top: int, left: int, height: int, width: int) -> PartlyRead:
        """The window of that size at that place of this one."""
        at = (self.window[0] + top, self.window[1] + left, height, width)
        return PartlyRead(self._path, self._layout, self._byte_order, self._whole, at, self._tiles, self._fallback)

    def pieces(self) -> list[tuple[int, int, int, int]]:
        """Top, left, height and width, in the window, of every tile that lies in it whole."""
        top, left, height, width = self.window
        size_v, size_h = self._layout.tile_height, self._layout.tile_width
        return [
            (row - top, column - left, size_v, size_h)
            for row in range(-(-top // size_v) * size_v, top + height - size_v + 1, size_v)
            for column in range(-(-left // size_h) * size_h, left + width - size_h + 1, size_h)
        ]

    def _read(self, file: BinaryIO, top: int, bottom: int, left: int, right: int) -> Pixels:
        layout = self._layout
        if bottom <= top or right <= left:
            return np.zeros((max(0, bottom - top), max(0, right - left)), np.uint16)
        size_v, size_h = layout.tile_height, layout.tile_width
        if size_h >= layout.width and size_v >= layout.height:
            if layout.lossless:
                return self._tile(file, 0)[top:bottom, left:right]
            return self._rows(file, top, bottom)[:, left:right]
        out = np.empty((bottom - top, right - left), np.uint16)
        for down in range(top // size_v, (bottom - 1) // size_v + 1):
            for across in range(left // size_h, (right - 1) // size_h + 1):
                row, column = down * size_v, across * size_h
                inside = (max(top, row), min(bottom, row + size_v), max(left, column), min(right, column + size_h))
                tile = self._tile(file, down * layout.across + across)
                out[inside[0] - top : inside[1] - top, inside[2] - left : inside[3] - left] = tile[
                    inside[0] - row : inside[1] - row, inside[2] - column : inside[3] - column
                ]
        return out

    def _rows(self, file: BinaryIO, top: int, bottom: int) -> Pixels:
        """Rows of an uncompressed picture in one piece."""
        layout = self._layout
        row_bytes = -(-layout.width * layout.bits // 8)
        return self._plain(file, layout.offsets[0] + top * row_bytes, bottom - top, layout.width)

    def _plain(self, file: BinaryIO, offset: int, rows: int, width: int) -> Pixels:
        """Uncompressed rows: 16 bits in the file's byte order, others packed from the highest bit on, each row padded
        to whole bytes (TIFF 6.0, FillOrder 1)."""
        bits = self._layout.bits
        if bits == 16:
            kind = np.dtype(np.uint16).newbyteorder("<" if self._byte_order == "II" else ">")
            found = np.frombuffer(self._bytes(file, offset, rows * width * 2), kind).reshape(rows, width)
            return found.astype(np.uint16, copy=False)
        data = self._bytes(file, offset, rows * -(-width * bits // 8))
        return np.asarray(imagecodecs.packints_decode(data, "uint16", bits, runlen=width)).reshape(rows, width)

    def _bytes(self, file: BinaryIO, offset: int, length: int) -> bytes:
        file.seek(offset)
        found = file.read(length)
        if len(found) < length:
            raise _too_short(self._path)
        return found

    def _tile(self, file: BinaryIO, number: int) -> Pixels:
        found = self._tiles.get(number)
        if found is None:
            layout = self._layout
            offset, length = layout.offsets[number], layout.lengths[number]
            if layout.lossless:
                found = _lossless_piece(self._bytes(file, offset, length), layout, number)
            else:
                found = self._plain(file, offset, layout.tile_height, layout.tile_width)
            self._tiles[number] = found
            while len(self._tiles) > _KEPT_TILES:
                self._tiles.popitem(last=False)
        return found


def partly_read(header: RawHeader, whole: Callable[[], Pixels]) -> PartlyRead | None:
    """The stored array of a DNG mosaic, to be read in parts; None where that is not known to equal LibRaw's unpack.

    Raises `RawUnreadable` where the file ends before its last piece, OSError where it cannot be opened.
    """
    layout = _layout(header.raw_tags)
    if layout is None:
        return None
    limits.check_size(header.path, layout.width, layout.height)
    with header.path.open("rb") as file:
        byte_order = file.read(2).decode("latin-1")
        size = file.seek(0, io.SEEK_END)
    if any(at + length > size for at, length in zip(layout.offsets, layout.lengths, strict=True)):
        raise _too_short(header.path)
    found = PartlyRead(header.path, layout, byte_order, whole, (0, 0, layout.height, layout.width))
    return found if found.can_be_read() else None


def _too_short(path: Path) -> RawUnreadable:
    return RawUnreadable(f"{limits.printable(path)}: the file ends too early.", next_step=COPY_AGAIN)


def _layout(raw: Mapping[int, tiff.TagValue]) -> _Layout | None:
    tags = dict(raw)
    plain = (
        tiff.number(tags, tiff.PHOTOMETRIC) == tiff.CFA
        and tiff.number(tags, tiff.SAMPLES, 1.0) == 1
        and tiff.number(tags, _FILL_ORDER, 1.0) == 1
        and tiff.number(tags, _PREDICTOR, 1.0) == 1
        and tiff.number(tags, _SAMPLE_FORMAT, 1.0) == 1
        and _LINEARIZATION_TABLE not in tags
        and _WHITE in tags
    )
    width, height, bits = (_count(tags, tag) for tag in (tiff.WIDTH, tiff.LENGTH, tiff.BITS))
    compression = tiff.number(tags, tiff.COMPRESSION)
    if not plain or width < 1 or height < 1 or compression not in (_UNCOMPRESSED, _LOSSLESS_JPEG):
        return None
    lossless = compression == _LOSSLESS_JPEG
    if not 8 < bits <= 16 or (not lossless and bits not in (10, 12, 14, 16)):
        return None
    if _TILE_OFFSETS in tags:
        return _tiled(tags, width, height, bits, lossless)
    return _lossless_strips(tags, width, height, bits) if lossless else _one_piece(tags, width, height, bits)


def _tiled(tags: tiff.Tags, width: int, height: int, bits: int, lossless: bool) -> _Layout | None:
    tile_width, tile_height = _count(tags, _TILE_WIDTH), _count(tags, _TILE_LENGTH)
    # in a tile wider than the picture, LibRaw breaks the rows at the picture's edge; packed tiles differ in padding
    if not (0 < tile_width <= width and tile_height > 0) or (not lossless and bits != 16):
        return None
    offsets, lengths = _counts(tags, _TILE_OFFSETS), _counts(tags, _TILE_BYTES)
    n = -(-width // tile_width) * -(-height // tile_height)
    if len(offsets) != n or len(lengths) != n or min(offsets) < 8 or min(lengths) < 1:
        return None
    if not lossless and min(lengths) < tile_width * tile_height * 2:
        return None
    return _Layout(width, height, bits, lossless, tile_width, tile_height, offsets, lengths)


def _lossless_strips(tags: tiff.Tags, width: int, height: int, bits: int) -> _Layout | None:
    """One lossless stream of the whole picture, of which the codec takes half of LibRaw's time, or one for each strip.

    Of several strips LibRaw reads the first only (`several_lossless_strips`)."""
    offsets, lengths = _counts(tags, _STRIP_OFFSETS), _counts(tags, _STRIP_BYTES)
    rows = min(_count(tags, _ROWS_PER_STRIP) or height, height)
    if len(offsets) != -(-height // rows) or len(lengths) != len(offsets) or min(offsets) < 8 or min(lengths) < 1:
        return None
    return _Layout(width, height, bits, True, width, rows, offsets, lengths, strips=True)


def several_lossless_strips(tags: tiff.Tags) -> bool:
    """Whether a DNG's picture lies in more than one lossless strip: LibRaw decodes the first only."""
    return (
        tiff.number(tags, tiff.COMPRESSION) == _LOSSLESS_JPEG
        and _count(tags, tiff.BITS) > 8
        and _TILE_OFFSETS not in tags
        and len(_counts(tags, _STRIP_OFFSETS)) > 1
    )


def _one_piece(tags: tiff.Tags, width: int, height: int, bits: int) -> _Layout | None:
    """Strips that follow each other without a gap are one piece."""
    offsets, lengths = _counts(tags, _STRIP_OFFSETS), _counts(tags, _STRIP_BYTES)
    rows = min(_count(tags, _ROWS_PER_STRIP) or height, height)
    row_bytes = -(-width * bits // 8)
    if len(offsets) != -(-height // rows) or len(lengths) != len(offsets) or offsets[0] < 8:
        return None
    expected = tuple(offsets[0] + k * rows * row_bytes for k in range(len(offsets)))
    if offsets != expected or sum(lengths) < height * row_bytes:
        return None
    return _Layout(width, height, bits, False, width, height, (offsets[0],), (height * row_bytes,))


def _count(tags: tiff.Tags, tag: int) -> int:
    value = tiff.number(tags, tag, 0.0)
    return int(value) if np.isfinite(value) and value == int(value) else 0


def _counts(tags: tiff.Tags, tag: int) -> tuple[int, ...]:
    return tuple(int(v) if np.isfinite(v) else 0 for v in tiff.numbers(tags, tag) or ())


def _lossless_piece(data: bytes, layout: _Layout, number: int) -> Pixels:
    """One tile or strip, the last strip perhaps padded to full height.

    Its lines may be folded (two rows in one, or two components); the order of numbers is the picture's.
    """
    if not _is_plain_lossless(data):
        raise _Unexpected
    try:
        found = np.asarray(imagecodecs.ljpeg_decode(data))
    except MemoryError:
        raise
    except Exception as error:  # the codec raises classes of its own
        raise _Unexpected from error
    heights = {layout.tile_height, layout.rows(number)}
    if found.size not in {height * layout.tile_width for height in heights} or found.dtype != np.uint16:
        raise _Unexpected
    return found.reshape(-1, layout.tile_width)


def _is_plain_lossless(data: bytes) -> bool:
    """A lossless frame (SOF3) of one or two components, unsampled, without restarts or point transform (T.81, B.2)."""
    if data[:2] != b"\xff\xd8":
        return False
    at, frame = 2, False
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker, length = data[at + 1], int.from_bytes(data[at + 2 : at + 4], "big")
        body = data[at + 4 : at + 2 + length]
        if marker == 0xC3 and len(body) >= 6:
            n = body[5]
            frame = n in (1, 2) and len(body) == 6 + 3 * n and all(body[7 + 3 * k] == 0x11 for k in range(n))
        elif marker == 0xDA and body:
            n = body[0]
            return frame and len(body) == 4 + 2 * n and 1 <= body[1 + 2 * n] <= 7 and body[3 + 2 * n] == 0
        elif marker not in (0xC4, 0xFE) and not 0xE0 <= marker <= 0xEF:
            return False
        at += 2 + length
    return False
