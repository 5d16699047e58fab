"""What LibRaw's own tables know of a camera: its list of supported models, and its matrix for any make and model.

LibRaw looks a matrix up by the beginning of the model's name, so that a body it has never heard of gets the matrix of
an older one whose name its own begins with. Two independent signs tell: the model is not in LibRaw's list of cameras,
and the name without its last letter finds the very same matrix (so the table's entry is shorter than the name).

One body is sold under several names. The list holds them in one line ('EOS 600D / Rebel T3i / Kiss X5'), the table of
matrices under the first: a second name would find nothing there, or the matrix of a camera whose name it begins with.
So a name is looked up in the list first, and the table is asked for the line's first name.
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

from xmpsync.colour.arrays import FloatArray
from xmpsync.tiff_layout import ASCII, BYTE, HEADER_SIZE, LONG, SHORT, TiffField, header_bytes, written_out

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
    if listed_name(make, model) is not None:
        return TableMatch.EXACT
    shorter = _looked_up(make, model.rstrip()[:-1])
    same = shorter is not None and np.array_equal(shorter, matrix)
    return TableMatch.PREFIX if same else TableMatch.EXACT


def table_matrix(make: str, model: str) -> FloatArray | None:
    """camera_from_xyz (3, 3) of LibRaw's table for a make and model, D65; None where it has none.

    A listed camera has one matrix, whichever of its names is asked for.
    """
    listed = listed_name(make, model)
    found = None if listed is None else _looked_up(*listed)
    return _looked_up(make, model) if found is None else found


def listed_name(make: str, model: str) -> tuple[str, str] | None:
    """Make and model under which LibRaw's list has this camera first; None where it has not.

    `make` and `model` as Exif or UniqueCameraModel write them; a maker at the beginning of the model counts as well
    (one company writes cameras of another brand's name).
    """
    names = _listed()
    brand, _, rest = model.strip().partition(" ")
    return names.get(_normalised(make, model)) or names.get(_normalised(brand, rest))


@lru_cache(maxsize=1024)
def _looked_up(make: str, model: str) -> FloatArray | None:
    """The table's matrix for exactly this name or the beginning of it.

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
def _listed() -> dict[str, tuple[str, str]]:
    """Every normalised name of LibRaw's list -> make and model as the list has them first.

    A first name belongs to its own line, whatever other lines call theirs; a second name that two lines with
    different matrices could mean belongs to neither.
    """
    first: dict[str, tuple[str, str]] = {}
    second: dict[str, set[tuple[str, str]]] = {}
    for line in camera_list():
        make, models = _maker_and_models(line)
        names = _names(models)
        for name in (models, names[0]):
            first.setdefault(_normalised(make, name), (make, names[0]))
        for name in names[1:]:
            second.setdefault(_normalised(make, name), set()).add((make, names[0]))
    sole = {name: next(iter(owners)) for name, owners in second.items() if len(owners) == 1}
    return sole | first


def _maker_and_models(line: str) -> tuple[str, str]:
    """'Canon EOS 450D / Rebel XSi (note)' -> 'Canon', 'EOS 450D / Rebel XSi'."""
    make, _, models = re.sub(r"\([^)]*\)", "", line).strip().partition(" ")
    for word in ("Digital Solutions ", "Digital Bolex "):
        models = models.removeprefix(word)
    return make, " ".join(models.split())


def _names(models: str) -> list[str]:
    """All names in a line of models, the first one first.

    A later name may leave out words or letters that it shares with the first: 'EOS 600D / Rebel T3i' means 'EOS
    Rebel T3i', 'DMC-FZ35 / FZ38' means 'DMC-FZ38'; an earlier one may leave out the number: 'Alpha/Dynax/Maxxum 5D'.
    """
    parts = [part.strip() for part in re.split(r"[/,]", models) if part.strip()]
    last_word, _, number = parts[-1].rpartition(" ")
    if last_word and len(parts) > 1 and not any(character.isdigit() for part in parts[:-1] for character in part):
        parts = [f"{part} {number}" for part in parts[:-1]] + [parts[-1]]
    names = [parts[0]]
    heads = [found.group(0) for found in re.finditer(r".*?[ -]", parts[0])]
    starts = ["".join(heads[: n + 1]) for n in range(len(heads))]
    for part in parts[1:]:
        names += [part, *(start + part for start in starts)]
    return names


def _normalised(make: str, model: str) -> str:
    """Maker's first word and model, letters, digits and plus signs only: how Exif and LibRaw's list can be compared."""
    maker = _COMPANY.sub("", make.casefold()).split()
    first = maker[0] if maker else ""
    name = model.casefold().strip().removeprefix("digital solutions").strip()
    for word in maker:
        name = name.removeprefix(word).strip()
    name = re.sub(r"_([2-9])$", lambda found: _ROMAN[int(found.group(1))], name)
    name = re.sub(r"mark\s*(?=[ivx]+\b)", "", name)  # "K-3 Mark II" is written "K-3 II" as well
    return re.sub(r"[^a-z0-9+]", "", f"{first}{name}")


def _probe(make: str, model: str) -> bytes:
    """A DNG (TIFF 6.0, DNG 1.4) of a few black photosites with this make and model and nothing about colour."""
    side = _PROBE_SIDE
    pixels = bytes(side * side * 2)

    def shorts(*values: int) -> bytes:
        return struct.pack(f"<{len(values)}H", *values)

    def whole(pixels_at: int) -> bytes:
        fields = (
            TiffField(254, LONG, struct.pack("<I", 0)),
            TiffField(256, SHORT, shorts(side)),
            TiffField(257, SHORT, shorts(side)),
            TiffField(258, SHORT, shorts(16)),
            TiffField(259, SHORT, shorts(1)),
            TiffField(262, SHORT, shorts(32803)),
            TiffField(271, ASCII, make.encode("ascii", "replace") + b"\0"),
            TiffField(272, ASCII, model.encode("ascii", "replace") + b"\0"),
            TiffField(273, LONG, struct.pack("<I", pixels_at)),
            TiffField(277, SHORT, shorts(1)),
            TiffField(278, SHORT, shorts(side)),
            TiffField(279, LONG, struct.pack("<I", len(pixels))),
            TiffField(33421, SHORT, shorts(2, 2)),
            TiffField(33422, BYTE, bytes((0, 1, 1, 2))),
            TiffField(50706, BYTE, bytes((1, 4, 0, 0))),
        )
        return header_bytes("<", HEADER_SIZE) + written_out("<", HEADER_SIZE, fields)

    return whole(len(whole(0))) + pixels
