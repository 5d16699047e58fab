"""Small RAW files for the tests, byte by byte (TIFF 6.0, DNG 1.7): every tag is the test's own choice.

`demo_shoot.dng` writes well-formed frames; this one also writes what no tidy writer would, and stand-ins of makers'
formats. Independent of tifffile, which the reader uses.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL, DOUBLE = 1, 2, 3, 4, 5, 7, 10, 12
_SIZE = {BYTE: 1, ASCII: 1, SHORT: 2, LONG: 4, RATIONAL: 8, UNDEFINED: 1, SRATIONAL: 8, DOUBLE: 8}
_PACK = {BYTE: "B", SHORT: "H", LONG: "I", DOUBLE: "d"}

Value = tuple[int, object]
"""Field type and value: a number, several, text, or bytes."""

COLOUR_MATRIX = (0.8, -0.2, -0.1, -0.5, 1.3, 0.2, -0.1, 0.2, 0.7)
RGGB = bytes((0, 1, 1, 2))
XTRANS = bytes(
    "RGB".index(c) for c in "GGRGGB" + "GGBGGR" + "BRGRBG" + "GGBGGR" + "GGRGGB" + "RBGBRG"
)  # fmt: skip


def write_tiff(
    path: Path,
    first: Mapping[int, Value],
    raw: Mapping[int, Value] | None = None,
    *,
    pixels: bytes = b"",
    exif: Mapping[int, Value] | None = None,
    tail: bytes = b"",
    order: str = "<",
) -> Path:
    """IFD0 with its own tags; the pixels' tags in a SubIFD if `raw` is given, else in IFD0. One strip."""
    holder = dict(raw) if raw is not None else dict(first)
    holder |= {273: (LONG, 0), 279: (LONG, len(pixels)), 278: (LONG, int(_first(holder[257])))}
    first = dict(first) if raw is not None else holder
    if raw is not None:
        first[330] = (LONG, 0)
    if exif is not None:
        first[34665] = (LONG, 0)
    out = bytearray((b"II*\0" if order == "<" else b"MM\0*") + struct.pack(order + "I", 8))
    patches = _directory(out, first, order)
    if raw is not None:
        _patch(out, patches[330], len(out), order)
        patches |= {("raw", k): v for k, v in _directory(out, holder, order).items()}
    if exif is not None:
        _patch(out, patches[34665], len(out), order)
        _directory(out, exif, order)
    _patch(out, patches[("raw", 273) if raw is not None else 273], len(out), order)
    path.write_bytes(bytes(out) + pixels + tail)
    return path


def write_dng(
    path: Path,
    pixels: np.ndarray,
    *,
    raw: Mapping[int, Value] | None = None,
    first: Mapping[int, Value] | None = None,
    exif: Mapping[int, Value] | None = None,
    cfa: bytes = RGGB,
    white: float = 16383,
    orientation: int = 1,
    order: str = "<",
) -> Path:
    """A DNG of uncompressed 16-bit numbers (8-bit for uint8 pixels); `raw` and `first` add tags or replace them."""
    linear = pixels.ndim == 3
    bits = pixels.dtype.itemsize * 8
    side = 2 if len(cfa) == 4 else 6
    raw_tags: dict[int, Value] = {
        254: (LONG, 0),
        256: (LONG, pixels.shape[1]),
        257: (LONG, pixels.shape[0]),
        258: (SHORT, (bits,) * 3 if linear else bits),
        259: (SHORT, 1),
        262: (SHORT, 34892 if linear else 32803),
        277: (SHORT, 3 if linear else 1),
        284: (SHORT, 1),
        50717: (LONG, (int(white),) * 3 if linear else int(white)),
    }
    if not linear:
        raw_tags |= {33421: (SHORT, (side, side)), 33422: (BYTE, cfa)}
    first_tags: dict[int, Value] = {
        254: (LONG, 1),
        256: (LONG, 1),
        257: (LONG, 1),
        258: (SHORT, (8, 8, 8)),
        262: (SHORT, 2),
        277: (SHORT, 3),
        271: (ASCII, "Village Optics"),
        272: (ASCII, "Choir One"),
        274: (SHORT, orientation),
        50706: (BYTE, (1, 4, 0, 0)),
        50707: (BYTE, (1, 1, 0, 0)),
        50708: (ASCII, "Village Optics Choir One"),
        50721: (SRATIONAL, COLOUR_MATRIX),
        50728: (RATIONAL, (0.5, 1.0, 0.6)),
        50778: (SHORT, 21),
    }
    raw_tags |= dict(raw or {})
    first_tags |= dict(first or {})
    data = pixels.astype(pixels.dtype.newbyteorder(order)).tobytes()
    return write_tiff(path, first_tags, raw_tags, pixels=data, exif=exif, order=order)


def write_maker_raw(
    path: Path, mosaic: np.ndarray, *, make: str, model: str, exif: Mapping[int, Value] | None = None
) -> Path:
    """A TIFF-based RAW that is no DNG, as LibRaw knows them: a CFA directory with a maker's name and 16-bit strips."""
    height, width = mosaic.shape
    tags: dict[int, Value] = {
        254: (LONG, 0), 256: (LONG, width), 257: (LONG, height), 258: (SHORT, 16), 259: (SHORT, 1), 262: (SHORT, 32803),
        271: (ASCII, make), 272: (ASCII, model), 274: (SHORT, 1), 277: (SHORT, 1), 33421: (SHORT, (2, 2)),
        33422: (BYTE, RGGB),
    }  # fmt: skip
    return write_tiff(path, tags, pixels=mosaic.astype("<u2").tobytes(), exif=exif)


def opcode_list(*opcodes: tuple[int, bytes]) -> bytes:
    """An opcode list (DNG 1.7, chapter 7): big-endian, each with version 1.3 and no flags."""
    out = struct.pack(">I", len(opcodes))
    for code, parameters in opcodes:
        out += struct.pack(">4I", code, 0x01030000, 0, len(parameters)) + parameters
    return out


def gain_map(
    gains: Sequence[Sequence[float]],
    area: tuple[int, int, int, int],
    *,
    plane: int = 0,
    planes: int = 1,
    pitch: tuple[int, int] = (1, 1),
    spacing: tuple[float, float] | None = None,
    origin: tuple[float, float] = (0.0, 0.0),
) -> tuple[int, bytes]:
    """A GainMap opcode with one map plane; by default its points span the whole picture."""
    grid = np.array(gains, dtype=">f4")
    down, across = grid.shape
    step = spacing or (1 / max(1, down - 1), 1 / max(1, across - 1))
    head = struct.pack(">8I", *area, plane, planes, *pitch) + struct.pack(">2I4dI", down, across, *step, *origin, 1)
    return 9, head + grid.tobytes()


def vignette(k: Sequence[float], centre: tuple[float, float] = (0.5, 0.5)) -> tuple[int, bytes]:
    """A FixVignetteRadial opcode."""
    return 3, struct.pack(">7d", *k, *centre)


def polynomial(coefficients: Sequence[float], plane: int, size: tuple[int, int]) -> tuple[int, bytes]:
    """A MapPolynomial opcode for one plane of a whole picture of (height, width)."""
    area = struct.pack(">8I", 0, 0, *size, plane, 1, 1, 1)
    return 8, area + struct.pack(f">I{len(coefficients)}d", len(coefficients) - 1, *coefficients)


def mosaic_of(colour: Sequence[float], height: int, width: int, cfa: bytes = RGGB) -> np.ndarray:
    """uint16 (h, w): one DN per colour, laid out by the pattern."""
    side = 2 if len(cfa) == 4 else 6
    pattern = np.array(list(cfa)).reshape(side, side)
    rows, columns = np.indices((height, width))
    return np.array(colour)[pattern[rows % side, columns % side]].astype(np.uint16)


def _first(value: Value) -> float:
    return float(np.atleast_1d(np.array(value[1]))[0])


def _payload(kind: int, value: object, order: str) -> tuple[int, bytes]:
    if isinstance(value, str):
        return len(value) + 1, value.encode("utf-8") + b"\0"
    if isinstance(value, bytes):
        return len(value), value
    values = list(value) if isinstance(value, tuple | list) else [value]
    if kind in (RATIONAL, SRATIONAL):
        letter = "I" if kind == RATIONAL else "i"
        out = b""
        for v in values:
            pair = v if isinstance(v, tuple) else Fraction(v).limit_denominator(1_000_000).as_integer_ratio()
            out += struct.pack(f"{order}2{letter}", *pair)
        return len(values), out
    return len(values), struct.pack(f"{order}{len(values)}{_PACK[kind]}", *values)


def _directory(out: bytearray, tags: Mapping[int, Value], order: str) -> dict[object, int]:
    """Append a directory with its values; where each entry's value field lies."""
    start = len(out)
    heap_at = start + 2 + 12 * len(tags) + 4
    table, heap = struct.pack(order + "H", len(tags)), b""
    places: dict[object, int] = {}
    for tag, (kind, value) in sorted(tags.items()):
        count, data = _payload(kind, value, order)
        places[tag] = start + len(table) + 8
        table += struct.pack(order + "HHI", tag, kind, count)
        if len(data) <= 4:
            table += data.ljust(4, b"\0")
        else:
            table += struct.pack(order + "I", heap_at + len(heap))
            heap += data + b"\0" * (len(data) % 2)
    out += table + b"\0\0\0\0" + heap
    return places


def _patch(out: bytearray, place: int, value: int, order: str) -> None:
    struct.pack_into(order + "I", out, place, value)
