"""TIFF directories of a RAW file through tifffile: IFD0, its SubIFDs, the one that holds the sensor's picture.

Numbers come out as floats (rationals divided), text as str, everything else as bytes.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
import tifffile

TagValue = tuple[float, ...] | str | bytes
Tags = dict[int, TagValue]

# TIFF 6.0 section 2 and the DNG specification, chapter 2: field types.
_ASCII, _RATIONALS = 2, {5, 10}

NEW_SUBFILE_TYPE, WIDTH, LENGTH, BITS, COMPRESSION, PHOTOMETRIC = 254, 256, 257, 258, 259, 262
MAKE, MODEL, ORIENTATION, SAMPLES, XMP = 271, 272, 274, 277, 700
CFA, LINEAR_RAW = 32803, 34892
CFA_REPEAT, CFA_PATTERN = 33421, 33422
DNG_VERSION, DNG_BACKWARD_VERSION, CFA_PLANE_COLOR = 50706, 50707, 50710
# Tags of type BYTE that are lists of small numbers, not data.
_BYTE_NUMBERS = {CFA_PATTERN, DNG_VERSION, DNG_BACKWARD_VERSION, CFA_PLANE_COLOR}

# Every directory of a hostile file costs time; real files hold about ten.
_MAX_DIRECTORIES = 64
# The largest tags that are read are hue/saturation tables and gain maps (some megabytes).
_MAX_VALUES = 16_000_000


class PageDamaged(ValueError):
    """The pixels of a directory cannot be decoded."""


@dataclass(frozen=True, slots=True)
class Directories:
    """IFD0, and all directories in file order with SubIFDs after their parent. Each a dict of tag -> value."""

    first: Tags
    all: tuple[Tags, ...]

    @property
    def is_dng(self) -> bool:
        return DNG_VERSION in self.first

    @property
    def raw(self) -> Tags | None:
        """The directory of the sensor's picture: full-size (subfile type 0), CFA or linear; the widest if several."""
        found = [
            tags
            for tags in self.all
            if number(tags, PHOTOMETRIC) in (CFA, LINEAR_RAW) and number(tags, NEW_SUBFILE_TYPE, 0.0) == 0
        ]
        return max(found, key=lambda tags: number(tags, WIDTH, 0.0), default=None)


def number(tags: Tags, tag: int, default: float = math.nan) -> float:
    """The first number of a tag, or `default`."""
    value = tags.get(tag)
    return value[0] if isinstance(value, tuple) and value else default


def numbers(tags: Tags, tag: int) -> tuple[float, ...] | None:
    """All numbers of a tag, or None."""
    value = tags.get(tag)
    return value if isinstance(value, tuple) and value else None


def text(tags: Tags, tag: int) -> str:
    """A tag's text without padding, or an empty one."""
    value = tags.get(tag)
    return value.strip("\0 \t\r\n") if isinstance(value, str) else ""


def blob(tags: Tags, tag: int) -> bytes | None:
    """A tag's bytes, or None."""
    value = tags.get(tag)
    return value if isinstance(value, bytes) else None


def read_directories(source: Path | bytes) -> Directories | None:
    """All directories of a TIFF-based file, or None where it is not one. Damaged tags are left out.

    Raises OSError where the file cannot be read.
    """
    if isinstance(source, bytes):
        return _read(io.BytesIO(source))
    with source.open("rb") as file:
        return _read(file)


def _read(file: BinaryIO) -> Directories | None:
    found: list[Tags] = []
    try:
        with tifffile.TiffFile(file) as tiff:
            _collect(tiff.pages, found, depth=0)
    except OSError:
        raise
    except Exception:  # tifffile raises many kinds on damaged files; what was read until then still counts
        pass
    return Directories(found[0], tuple(found)) if found else None


_DATA_PLACES = ((273, 279), (324, 325))
"""Strips and tiles with their lengths (TIFF 6.0)."""


def data_ends_at(tags: Tags) -> int:
    """The byte behind the last strip or tile of a directory; 0 where it holds none."""
    ends = [
        start + length
        for places, lengths in _DATA_PLACES
        for start, length in zip(numbers(tags, places) or (), numbers(tags, lengths) or (), strict=False)
    ]
    return int(max((end for end in ends if math.isfinite(end)), default=0))


def decode_raw_page(path: Path) -> npt.NDArray[Any]:
    """The stored numbers of the raw directory, as they are in the file: (h, w) or (h, w, samples).

    Raises `PageDamaged` where they cannot be decoded, OSError where the file cannot be read.
    """
    with path.open("rb") as file:
        try:
            with tifffile.TiffFile(file) as tiff:
                pages = [page for first in tiff.pages for page in (first, *(first.pages or ()))]
                raw = [p for p in pages if int(p.photometric) in (CFA, LINEAR_RAW) and int(p.subfiletype) == 0]
                page = max(raw, key=lambda p: p.imagewidth)
                return np.asarray(page.asarray(maxworkers=1))
        except (OSError, MemoryError):
            raise
        except Exception as error:  # tifffile and imagecodecs raise many kinds on damaged files
            raise PageDamaged(str(error)) from error


def _collect(pages: Any, found: list[Tags], depth: int) -> None:
    for page in pages:
        if len(found) >= _MAX_DIRECTORIES:
            return
        if not hasattr(page, "tags"):  # a TiffFrame: one more page like the one before
            continue
        found.append({tag.code: value for tag in page.tags if (value := _value(tag)) is not None})
        if depth == 0 and page.pages is not None:
            try:
                _collect(page.pages, found, depth + 1)
            except OSError:
                raise
            except Exception:  # a damaged SubIFD leaves the others
                continue


def _value(tag: Any) -> TagValue | None:
    if tag.count > _MAX_VALUES:
        return None
    try:
        value = tag.value
        kind = int(tag.dtype)
        if kind == _ASCII and isinstance(value, str | bytes):
            return value if isinstance(value, str) else value.decode("utf-8", "replace")
        if isinstance(value, str):
            return value
        if isinstance(value, bytes):
            return tuple(float(b) for b in value) if tag.code in _BYTE_NUMBERS else value
        flat = value if isinstance(value, tuple | list) else (value,)
        if kind in _RATIONALS:
            ratios = tuple(n / d if d else math.nan for n, d in zip(flat[0::2], flat[1::2], strict=True))
            # 0/0 is how writers leave a rational out
            return ratios if any(math.isfinite(r) for r in ratios) else None
        return tuple(float(v) for v in flat)
    except OSError:
        raise
    except Exception:
        return None
