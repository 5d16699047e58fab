"""Face regions that other programs left in the metadata.

Two open schemas: image regions of the Metadata Working Group (guidelines 2.0, 5.9), whose areas give their CENTRE, and
the photo-region schema, whose rectangles give their left top corner. Whether regions follow the stored or the upright
picture differs in the wild, so `oriented` decides by the dimensions they were made for.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from xmpsync.records import Box
from xmpsync.xmp import names
from xmpsync.xmp.numbers import real
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.rdf import Kind, Value

_PHOTO = "http://ns.microsoft.com/photo/1.2/"
REGIONS = names.expanded(names.MWG_REGIONS, "Regions")
_REGION_INFO = names.expanded(_PHOTO, "RegionInfo")
_PHOTO_REGIONS = names.expanded(_PHOTO + "t/RegionInfo#", "Regions")
_RECTANGLE = names.expanded(_PHOTO + "t/Region#", "Rectangle")
_PERSON = names.expanded(_PHOTO + "t/Region#", "PersonDisplayName")

FACE = "Face"


@dataclass(frozen=True, slots=True)
class RegionSettings:
    """Thresholds of this module."""

    same_face_iou: float = 0.5
    """Two regions of the two schemas that overlap more (intersection over union) are one face."""
    aspect_tolerance: float = 0.02
    """Relative. Margins that decoders cut off change the aspect by less than this; crops by more."""


SETTINGS = RegionSettings()


@dataclass(frozen=True, slots=True)
class FaceRegion:
    """One region. `name` is the person's, None without one; `kind` is the MWG type (`Face`); `box` may reach past the
    border of the picture."""

    name: str | None
    box: Box
    kind: str


@dataclass(frozen=True, slots=True)
class Regions:
    """The face regions of a packet.

    `applied_to` is the (width, height) in pixels that they were made for, None where the packet does not say. `faces`
    are fractions of that picture (after `oriented`: of the upright one). `sure` is False where it could not be decided
    which way up they are, or they were made for another crop. `notes` tell what was left out and why.
    """

    applied_to: tuple[float, float] | None
    faces: tuple[FaceRegion, ...]
    sure: bool = True
    notes: tuple[str, ...] = ()


class _Broken(Exception):
    """A region that cannot be used; the message says why."""


def read_regions(packet: Packet, settings: RegionSettings = SETTINGS) -> Regions:
    """The face regions of a packet. Raises nothing: a broken region is left out with a note."""
    notes: list[str] = []
    applied_to = _applied_to(packet, notes)
    faces: list[FaceRegion] = []
    for number, region in enumerate(_items(_field(packet.value(REGIONS), names.MWG_REGIONS, "RegionList")), 1):
        try:
            face = _mwg_face(region, applied_to, notes, number)
        except _Broken as reason:
            notes.append(f"Region {number} is left out: {reason}")
        else:
            faces += [] if face is None else [face]
    info = packet.value(_REGION_INFO)
    for number, region in enumerate(_items(None if info is None else info.fields.get(_PHOTO_REGIONS)), 1):
        try:
            face = FaceRegion(_simple(region.fields.get(_PERSON)) or None, _rectangle(region), FACE)
        except _Broken as reason:
            notes.append(f"Photo region {number} is left out: {reason}")
        else:
            _merge(faces, face, settings)
    return Regions(applied_to, tuple(faces), notes=tuple(notes))


def oriented(
    regions: Regions, orientation: int, stored_size: tuple[int, int], settings: RegionSettings = SETTINGS
) -> Regions:
    """The regions of the upright picture.

    Parameters
    ----------
    orientation
        Exif orientation 1..8 of the frame; anything else counts as 1.
    stored_size
        Width and height of the stored (not rotated) picture in pixels.

    Where a quarter turn (5..8) lies between stored and upright picture, `applied_to` tells which one the regions
    follow. Otherwise nothing does; they are then taken as they are (upright), and `sure` is False unless both are the
    same picture.
    """
    upright_size = stored_size[::-1] if orientation in (5, 6, 7, 8) else stored_size
    if regions.applied_to is None:
        return regions if orientation not in _UPRIGHT else replace(regions, sure=False)
    fits_stored = _same_aspect(regions.applied_to, stored_size, settings)
    fits_upright = _same_aspect(regions.applied_to, upright_size, settings)
    if not fits_stored and not fits_upright:
        note = "The regions were made for another crop of the picture"
        return replace(regions, sure=False, notes=(*regions.notes, note))
    if orientation not in _UPRIGHT:
        return regions
    if fits_stored and fits_upright:
        note = "The regions do not tell whether they follow the stored or the upright picture"
        return replace(regions, sure=False, notes=(*regions.notes, note))
    if fits_upright:
        return regions
    return turned(regions, orientation)


def turned(regions: Regions, orientation: int) -> Regions:
    """Regions of the stored picture as regions of the upright one (Exif orientation 2..8)."""
    faces = tuple(replace(face, box=upright_box(face.box, orientation)) for face in regions.faces)
    applied_to = regions.applied_to
    if applied_to is not None and orientation >= 5:
        applied_to = (applied_to[1], applied_to[0])
    return replace(regions, applied_to=applied_to, faces=faces)


# Exif 2.3, tag 0112: (swap x and y, then flip x, then flip y) from the stored to the upright picture
_UPRIGHT = {
    2: (False, True, False),
    3: (False, True, True),
    4: (False, False, True),
    5: (True, False, False),
    6: (True, True, False),
    7: (True, True, True),
    8: (True, False, True),
}


def upright_box(box: Box, orientation: int) -> Box:
    """A box of the stored picture as a box of the upright one."""
    swap, flip_x, flip_y = _UPRIGHT.get(orientation, (False, False, False))
    left, top, width, height = box.left, box.top, box.width, box.height
    if swap:
        left, top, width, height = top, left, height, width
    if flip_x:
        left = 1.0 - left - width
    if flip_y:
        top = 1.0 - top - height
    return Box(left, top, width, height)


_INVERSE = {6: 8, 8: 6}
"""The quarter turns; every other orientation is its own inverse."""


def stored_box(box: Box, orientation: int) -> Box:
    """A box of the upright picture as a box of the stored one."""
    return upright_box(box, _INVERSE.get(orientation, orientation))


def mwg_items(packet: Packet) -> list[tuple[int, FaceRegion]]:
    """The faces of the MWG list as they stand in it, each with its place in the list; broken ones left out."""
    notes: list[str] = []
    applied_to = _applied_to(packet, notes)
    found = []
    for place, region in enumerate(_items(_field(packet.value(REGIONS), names.MWG_REGIONS, "RegionList"))):
        try:
            face = _mwg_face(region, applied_to, notes, place + 1)
        except _Broken:
            continue
        found += [] if face is None else [(place, face)]
    return found


def _same_aspect(a: tuple[float, float], b: tuple[float, float], settings: RegionSettings) -> bool:
    if min(*a, *b) <= 0:
        return False
    return abs(a[0] * b[1] / (a[1] * b[0]) - 1.0) <= settings.aspect_tolerance


# reading


def _field(value: Value | None, uri: str, local: str) -> Value | None:
    return None if value is None else value.fields.get(names.expanded(uri, local))


def _items(value: Value | None) -> Iterator[Value]:
    return iter([] if value is None else value.items)


def _simple(value: Value | None) -> str | None:
    return value.text if value is not None and value.kind is Kind.SIMPLE else None


def _number(value: Value | None, what: str) -> float:
    text = _simple(value)
    if text is None:
        raise _Broken(f"it has no {what}.")
    number = real(text)
    if number is None:
        raise _Broken(f"its {what} is {text!r}, which is no number.")
    return number


def _applied_to(packet: Packet, notes: list[str]) -> tuple[float, float] | None:
    """AppliedToDimensions: { stDim:w, stDim:h, stDim:unit } (MWG 2.0, 5.9), in pixels."""
    dimensions = _field(packet.value(REGIONS), names.MWG_REGIONS, "AppliedToDimensions")
    if dimensions is None:
        return None
    try:
        width, height = (_number(_field(dimensions, names.DIMENSIONS, side), side) for side in "wh")
    except _Broken as reason:
        notes.append(f"AppliedToDimensions is not used: {reason}")
        return None
    if width <= 0 or height <= 0:
        notes.append("AppliedToDimensions is not used: it is empty.")
        return None
    return width, height


def _mwg_face(
    region: Value, applied_to: tuple[float, float] | None, notes: list[str], number: int
) -> FaceRegion | None:
    kind = _simple(_field(region, names.MWG_REGIONS, "Type"))
    if kind is None:
        raise _Broken("it has no Type.")
    if kind != FACE:
        return None
    area = _field(region, names.MWG_REGIONS, "Area")
    if area is None:
        raise _Broken("it has no Area.")
    unit = _simple(_field(area, names.AREA, "unit"))
    x, y = (_number(_field(area, names.AREA, axis), axis) for axis in "xy")
    if _field(area, names.AREA, "d") is not None:
        diameter = _number(_field(area, names.AREA, "d"), "d")
        width = height = diameter
        if unit != "pixel":
            # normalised by the smaller side (MWG 2.0, 5.9, recalled from memory)
            if applied_to is None:
                notes.append(f"Region {number} is a circle and the packet has no dimensions: its shape is rough.")
            else:
                smaller = min(applied_to)
                width, height = diameter * smaller / applied_to[0], diameter * smaller / applied_to[1]
    else:
        width, height = (_number(_field(area, names.AREA, side), side) for side in "wh")
    if unit == "pixel":
        if applied_to is None:
            raise _Broken("it is given in pixels, and the packet does not say of how many.")
        x, width = x / applied_to[0], width / applied_to[0]
        y, height = y / applied_to[1], height / applied_to[1]
    elif unit not in (None, "normalized"):
        raise _Broken(f"its unit is {unit!r}.")
    name = _simple(_field(region, names.MWG_REGIONS, "Name")) or None
    return FaceRegion(name, _sound(x - width / 2, y - height / 2, width, height), kind)


def _rectangle(region: Value) -> Box:
    """`Rectangle`: "left, top, width, height", fractions from the left top corner."""
    text = _simple(region.fields.get(_RECTANGLE))
    if text is None:
        raise _Broken("it has no Rectangle.")
    numbers = [real(part.strip()) for part in text.split(",")]
    known = [number for number in numbers if number is not None]
    if len(known) != 4 or len(numbers) != 4:
        raise _Broken(f"its Rectangle is {text!r}.")
    return _sound(*known)


def _sound(left: float, top: float, width: float, height: float) -> Box:
    """The box, if it has an area that is at least partly inside the picture and is no larger than it."""
    if not (0 < width <= 1 and 0 < height <= 1):
        raise _Broken(f"its size is {width:g} x {height:g} of the picture.")
    if left >= 1 or top >= 1 or left + width <= 0 or top + height <= 0:
        raise _Broken("it lies outside the picture.")
    return Box(left, top, width, height)


def _merge(faces: list[FaceRegion], face: FaceRegion, settings: RegionSettings) -> None:
    """Adds a face unless another schema gave it already; a name is taken over where one was missing."""
    for index, known in enumerate(faces):
        if known.box.iou(face.box) > settings.same_face_iou:
            if known.name is None:
                faces[index] = replace(known, name=face.name)
            return
    faces.append(face)
