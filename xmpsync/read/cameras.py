"""What LibRaw's own tables know of a camera: its list of supported models, and its matrix for any make and model.

LibRaw looks a matrix up by the beginning of the model's name, so that a body it has never heard of gets the matrix of
an older one whose name its own begins with. Two independent signs tell: the model is not in LibRaw's list of cameras,
and the name without its last letter finds the very same matrix (so the table's entry is shorter than the name).
"""

from __future__ import annotations

import ctypes
import io
import re
import struct
from enum import Enum
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

Matrix = npt.NDArray[np.float64]

_COMPANY = re.compile(
    r"\b(corporation|corp\.?|company|co\.?|ltd\.?|imaging|optical|camera|ag|inc\.?|digital solutions)(?=\W|$)"
)
_LIBRARY_NAMES = ("libraw_r*.so*", "libraw*.so*", ".dylibs/libraw*.dylib", "libraw*.dylib", "raw_r*.dll", "libraw*.dll")
# Exif may write "Z 6_2" where the list writes "Z 6 II".
_ROMAN = ("", "i", "ii", "iii", "iv", "v", "vi", "vii", "viii", "ix")
# LibRaw refuses sensors of under 22 rows.
_PROBE_SIDE = 32


class TableMatch(Enum):
    """How well LibRaw's matrix fits the model."""

    EXACT = "exact"
    PREFIX = "prefix"
    NONE = "none"


@lru_cache(maxsize=256)
def table_match(make: str, model: str) -> TableMatch:
    """How LibRaw's matrix for this make and model was found: for the model itself, or for a shorter name."""
    matrix = table_matrix(make, model)
    if matrix is None:
        return TableMatch.NONE
    if _normalised(make, model) in _listed():
        return TableMatch.EXACT
    shorter = table_matrix(make, model.rstrip()[:-1])
    same = shorter is not None and np.array_equal(shorter, matrix)
    return TableMatch.PREFIX if same else TableMatch.EXACT


@lru_cache(maxsize=1024)
def table_matrix(make: str, model: str) -> Matrix | None:
    """camera_from_xyz (3, 3) of LibRaw's table for a make and model, D65; None where it has none.

    Asked of LibRaw itself, with a DNG of a few pixels in memory that carries only these names.
    """
    import rawpy

    try:
        with rawpy.imread(io.BytesIO(_probe(make, model))) as raw:
            matrix = np.array(raw.rgb_xyz_matrix, dtype=np.float64)[:3]
    except rawpy.LibRawError:
        return None
    return matrix if np.abs(matrix).sum() > 0 else None


@lru_cache(maxsize=1)
def camera_list() -> tuple[str, ...]:
    """LibRaw's list of supported cameras (C function libraw_cameraList); empty where the library is not found."""
    import rawpy

    folder = Path(rawpy.__file__).parent
    for pattern in _LIBRARY_NAMES:
        for place in (folder, folder.parent / "rawpy.libs"):
            for path in sorted(place.glob(pattern)):
                try:
                    library = ctypes.CDLL(str(path))
                    count = library.libraw_cameraCount
                    names = library.libraw_cameraList
                except (OSError, AttributeError):
                    continue
                names.restype = ctypes.POINTER(ctypes.c_char_p)
                found = names()
                return tuple(name.decode("utf-8", "replace") for i in range(count()) if (name := found[i]) is not None)
    return ()


@lru_cache(maxsize=1)
def _listed() -> frozenset[str]:
    """Normalised names of all listed cameras: 'Canon EOS 450D / Rebel XSi (note)' counts under each of its names."""
    names = set()
    for line in camera_list():
        without_note = re.sub(r"\([^)]*\)", "", line)
        make, _, models = without_note.strip().partition(" ")
        for model in re.split(r"\s*/\s*", models):
            names.add(_normalised(make, model))
    return frozenset(names)


def _normalised(make: str, model: str) -> str:
    """Maker's first word and model, letters and digits only: how Exif and LibRaw's list can be compared."""
    maker = _COMPANY.sub("", make.casefold()).split()
    first = maker[0] if maker else ""
    name = model.casefold().strip().removeprefix("digital solutions").strip()
    for word in maker:
        name = name.removeprefix(word).strip()
    name = re.sub(r"_([2-9])$", lambda found: _ROMAN[int(found.group(1))], name)
    return re.sub(r"[^a-z0-9]", "", f"{first}{name}")


def _probe(make: str, model: str) -> bytes:
    """A DNG (TIFF 6.0, DNG 1.4) of a few black photosites with this make and model and nothing about colour."""
    texts = {271: make.encode("ascii", "replace") + b"\0", 272: model.encode("ascii", "replace") + b"\0"}
    side = _PROBE_SIDE
    short, long, ascii_, byte = 3, 4, 2, 1
    pixels = side * side * 2
    entries: list[tuple[int, int, bytes]] = [
        (254, long, struct.pack("<I", 0)),
        (256, short, struct.pack("<H", side)),
        (257, short, struct.pack("<H", side)),
        (258, short, struct.pack("<H", 16)),
        (259, short, struct.pack("<H", 1)),
        (262, short, struct.pack("<H", 32803)),
        (271, ascii_, texts[271]),
        (272, ascii_, texts[272]),
        (273, long, b"PLAC"),
        (277, short, struct.pack("<H", 1)),
        (278, short, struct.pack("<H", side)),
        (279, long, struct.pack("<I", pixels)),
        (33421, short, struct.pack("<2H", 2, 2)),
        (33422, byte, bytes((0, 1, 1, 2))),
        (50706, byte, bytes((1, 4, 0, 0))),
    ]
    size = {short: 2, long: 4, ascii_: 1, byte: 1}
    at = 8 + 2 + 12 * len(entries) + 4
    directory, data = struct.pack("<H", len(entries)), b""
    place = 0
    for tag, kind, value in entries:
        count = len(value) // size[kind]
        if tag == 273:
            place = 8 + len(directory) + 8
        if len(value) <= 4:
            directory += struct.pack("<HHI", tag, kind, count) + value.ljust(4, b"\0")
        else:
            directory += struct.pack("<HHII", tag, kind, count, at + len(data))
            data += value + b"\0" * (len(value) % 2)
    file = bytearray(b"II*\0" + struct.pack("<I", 8) + directory + struct.pack("<I", 0) + data)
    struct.pack_into("<I", file, place, len(file))
    return bytes(file) + bytes(pixels)
