"""Face regions with names that are written into a packet, and taken out again.

Image regions of the Metadata Working Group (guidelines 2.0, 5.9): areas by their centre, normalised, of the picture
whose size AppliedToDimensions gives. What is there stays: a region without a name that lies on a face gets the name,
a face without a region is added to the list, and nothing else of the structure is touched. Where the regions that are
there cannot be placed on the upright picture, nothing is written.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from xmpsync.records import Box
from xmpsync.xmp import names
from xmpsync.xmp.insert import declared_prefix, put_element
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.rdf import Kind, Value
from xmpsync.xmp.regions import FACE, REGIONS, FaceRegion, mwg_items, oriented, read_regions, stored_box, upright_box
from xmpsync.xmp.scan import Element, start_tag_end
from xmpsync.xmp.second_reader import Tree, spelled
from xmpsync.xmp.splice import Splice, escaped, replace_value, space_before
from xmpsync.xmp.stated import tree_of
from xmpsync.xmp.tags import start_tag
from xmpsync.xmp.verify import Becomes

_MWG, _AREA, _DIMENSIONS = names.MWG_REGIONS, names.AREA, names.DIMENSIONS
_NAME = names.expanded(_MWG, "Name")
_LIST = names.expanded(_MWG, "RegionList")
SAME_IOU = 0.25
"""Overlap (intersection over union) from which a region and a face are the same: boxes of two programs differ more
than boxes of one."""
DIGITS = 5
"""Of fractions of the picture: finer than a pixel."""


@dataclass(frozen=True, slots=True)
class NamedFace:
    """A face with its person's name; `box` in fractions of the upright picture."""

    name: str
    box: Box


@dataclass(frozen=True, slots=True)
class FaceNames:
    """What to write into one packet. `stored_size`: width and height of the stored picture in pixels, `orientation`:
    Exif 1..8 of the frame."""

    faces: tuple[NamedFace, ...]
    stored_size: tuple[int, int]
    orientation: int

    @property
    def upright_size(self) -> tuple[int, int]:
        return self.stored_size[::-1] if self.orientation >= 5 else self.stored_size


@dataclass(frozen=True, slots=True)
class RegionEdit:
    """The edits, and what the property must be afterwards; no edits where nothing is to be written."""

    edits: tuple[Splice, ...] = ()
    becomes: Becomes | None = None


def write_regions(packet: Packet, wanted: FaceNames) -> RegionEdit:
    """The edits that name the faces. Raises `SidecarMalformed` where there is no place for them."""
    found = read_regions(packet)
    faces = [_inside(face) for face in wanted.faces if face.name.strip()]
    if packet.value(REGIONS) is None:
        # faces of the other schema keep their own names
        known = oriented(found, wanted.orientation, wanted.stored_size)
        new = [f for f in faces if f is not None and not _named_already(f, known.faces)]
        return _new_regions(packet, new, wanted.upright_size) if new else RegionEdit()
    upright = oriented(found, wanted.orientation, wanted.stored_size)
    listed = _listed(packet)
    if not upright.sure or found.applied_to is None or listed is None:
        return RegionEdit()
    turned = upright.applied_to != found.applied_to
    edits: list[Splice] = []
    named: dict[int, str] = {}
    added: list[NamedFace] = []
    items = dict(mwg_items(packet))
    for face in faces:
        if face is None or _named_already(face, upright.faces):
            continue
        hit = next((k for k, region in items.items() if _same(_upright(region, wanted, turned), face.box)), None)
        if hit is None:
            added.append(face)
        elif items[hit].name is None and hit not in named:
            named[hit] = face.name
            edits += _name(packet, listed.items[hit], face.name)
    placed = [_placed(face, wanted.orientation if turned else 1) for face in added]
    edits += _append(packet, listed, placed) if placed else []
    if not edits:
        return RegionEdit()
    return RegionEdit(tuple(edits), _becomes(named, placed))


def _inside(face: NamedFace) -> NamedFace | None:
    """The face with its box cut at the picture's border; None where nothing of it is inside."""
    left, top = max(0.0, face.box.left), max(0.0, face.box.top)
    right, bottom = min(1.0, face.box.left + face.box.width), min(1.0, face.box.top + face.box.height)
    return NamedFace(face.name, Box(left, top, right - left, bottom - top)) if right > left and bottom > top else None


def _upright(region: FaceRegion, wanted: FaceNames, turned: bool) -> Box:
    return upright_box(region.box, wanted.orientation) if turned else region.box


def _placed(face: NamedFace, orientation: int) -> NamedFace:
    """The face where the regions that are there count from."""
    return NamedFace(face.name, stored_box(face.box, orientation))


def _named_already(face: NamedFace, regions: Sequence[FaceRegion]) -> bool:
    """Whether a region on this face has a name, or the person has a region elsewhere: nobody is in a frame twice."""
    return any(r.name is not None and (r.name == face.name or _same(r.box, face.box)) for r in regions)


def _same(one: Box, other: Box) -> bool:
    return one.iou(other) >= SAME_IOU or (one.contains(*other.centre) and other.contains(*one.centre))


def _listed(packet: Packet) -> Value | None:
    """The list of regions; None where the structure holds none."""
    value = packet.value(REGIONS)
    found = value.fields.get(_LIST) if value is not None and value.kind is Kind.STRUCTURE else None
    return found if found is not None and found.kind is Kind.ARRAY else None


# bytes


def _new_regions(packet: Packet, faces: Sequence[NamedFace], size: tuple[int, int]) -> RegionEdit:
    width, height = size
    item = b"".join(_item(face, b"mwg-rs", b"stArea", b"rdf", b"") for face in faces)
    inner = (
        f'<mwg-rs:AppliedToDimensions stDim:w="{width}" stDim:h="{height}" stDim:unit="pixel"/>'
        "<mwg-rs:RegionList><rdf:Bag>"
    ).encode() + item + b"</rdf:Bag></mwg-rs:RegionList>"  # fmt: skip
    declared = "".join(
        f' xmlns:{prefix}="{uri}"'
        for prefix, uri in (("mwg-rs", _MWG), ("stArea", _AREA), ("stDim", _DIMENSIONS), ("rdf", names.RDF))
    )
    text = f'<mwg-rs:Regions{declared} rdf:parseType="Resource">'.encode() + inner + b"</mwg-rs:Regions>"
    return RegionEdit(tuple(put_element(packet, _MWG, text)), lambda _before: _regions_tree(faces, size))


def _item(face: NamedFace, mwg: bytes, area: bytes, rdf: bytes, declared: bytes) -> bytes:
    """One region of the list. `declared`: namespace declarations that its place lacks."""
    numbers = b" ".join(
        area + b":" + side.encode() + b'="' + text.encode() + b'"' for side, text in _numbers(face.box).items()
    )
    name = escaped(face.name).encode("utf-8")
    return (
        b"<" + rdf + b":li" + declared + b"><" + rdf + b":Description " + mwg + b':Type="' + FACE.encode() + b'" '
        + mwg + b':Name="' + name + b'"><' + mwg + b":Area " + numbers + b" " + area + b':unit="normalized"/></'
        + rdf + b":Description></" + rdf + b":li>"
    )  # fmt: skip


def _numbers(box: Box) -> dict[str, str]:
    centre = box.centre
    values = {"x": centre[0], "y": centre[1], "w": box.width, "h": box.height}
    return {side: f"{value:.{DIGITS}f}" for side, value in values.items()}


def _append(packet: Packet, listed: Value, faces: Sequence[NamedFace]) -> list[Splice]:
    utf8, array = packet.encoded.utf8, listed.holder
    prefixes, declared = [], b""
    for uri in (_MWG, _AREA, names.RDF):
        prefix, missing = declared_prefix(array, uri)
        prefixes.append(prefix)
        declared += b" xmlns:" + prefix + b'="' + uri.encode() + b'"' if missing else b""
    mwg, area, rdf = prefixes
    texts = [_item(face, mwg, area, rdf, declared) for face in faces]
    if array.elements:
        last = array.elements[-1]
        space = space_before(utf8, last.start)
        return [Splice(last.end, last.end, b"".join(space + text for text in texts))]
    if array.empty_tag:
        end = b"</" + start_tag(utf8, array).name + b">"
        return [Splice(array.end - 2, array.end, b">" + b"".join(texts) + end)]
    at = start_tag_end(utf8, array)
    return [Splice(at, at, b"".join(texts))]


def _name(packet: Packet, region: Value, name: str) -> list[Splice]:
    """The edits that give a region a name, as an attribute beside attributes and an element beside elements."""
    held = region.fields.get(_NAME)
    if held is not None:
        return replace_value(packet, held, name)
    utf8, holder = packet.encoded.utf8, region.holder
    prefix, _ = declared_prefix(holder, _MWG)
    text = escaped(name).encode("utf-8")
    attributes = [a for n, a in start_tag(utf8, holder).properties.items() if names.split(n)[0] == _MWG]
    if attributes:
        at = attributes[-1].end
        return [Splice(at, at, b" " + prefix + b':Name="' + text + b'"')]
    last = holder.elements[-1]
    space = space_before(utf8, last.start)
    return [Splice(last.end, last.end, space + b"<" + prefix + b":Name>" + text + b"</" + prefix + b":Name>")]


# what the property becomes, in the second reader's terms


def _structure(fields: dict[str, Tree]) -> Tree:
    return ("structure", tuple(sorted(fields.items())), ())


def _text(text: str) -> Tree:
    return ("text", text, ())


def _mwg(local: str) -> str:
    return spelled(names.expanded(_MWG, local))


def _item_tree(face: NamedFace) -> Tree:
    numbers = {spelled(names.expanded(_AREA, side)): _text(text) for side, text in _numbers(face.box).items()}
    area = _structure({**numbers, spelled(names.expanded(_AREA, "unit")): _text("normalized")})
    return _structure({_mwg("Type"): _text(FACE), _mwg("Name"): _text(face.name), _mwg("Area"): area})


def _regions_tree(faces: Sequence[NamedFace], size: tuple[int, int]) -> Tree:
    sides = {"w": str(size[0]), "h": str(size[1]), "unit": "pixel"}
    dimensions = _structure({spelled(names.expanded(_DIMENSIONS, k)): _text(v) for k, v in sides.items()})
    items = ("array", "Bag", tuple(_item_tree(face) for face in faces), ())
    return _structure({_mwg("AppliedToDimensions"): dimensions, _mwg("RegionList"): items})


def _becomes(named: dict[int, str], added: Sequence[NamedFace]) -> Becomes:
    def named_item(item: Tree, name: str) -> Tree:
        return (item[0], tuple(sorted({**dict(item[1]), _mwg("Name"): _text(name)}.items())), item[2])

    def after(before: Tree | None) -> Tree:
        assert before is not None  # the property is there
        fields = dict(before[1])
        kind, array, items, qualifiers = fields[_mwg("RegionList")]
        changed = [named_item(item, named[k]) if k in named else item for k, item in enumerate(items)]
        fields[_mwg("RegionList")] = (kind, array, (*changed, *map(_item_tree, added)), qualifiers)
        return (before[0], tuple(sorted(fields.items())), before[2])

    return after


# and back


def take_out_regions(now: Packet, before: Packet | None, ours: Packet) -> RegionEdit:
    """The edits that take the regions and names out of `now` which our run put in (`before` to `ours`).

    A region that somebody changed since stays as it is, and so does the list it stands in.
    """
    mine, held = _listed(ours), _listed(now)
    if mine is None or held is None:
        return RegionEdit()
    old = None if before is None else _listed(before)
    was = [tree_of(item) for item in old.items] if old is not None else []
    added = [tree_of(item) for item in mine.items[len(was) :]]
    renamed = {
        tree_of(item): was[k] for k, item in enumerate(mine.items[: len(was)]) if tree_of(item) != was[k]
    }  # fmt: skip
    if not added and not renamed:
        return RegionEdit()
    property_is_ours = before is None or REGIONS not in before.properties
    trees = [tree_of(item) for item in held.items]
    gone = [k for k, tree in enumerate(trees) if tree in added]
    if property_is_ours and len(gone) == len(trees):
        return RegionEdit((_without(now, now.properties[REGIONS].element),), lambda _before: None)
    edits = [_without(now, held.holder.elements[k]) for k in gone]
    names_back: dict[int, Tree] = {}
    for k, tree in enumerate(trees):
        if k not in gone and tree in renamed:
            names_back[k] = renamed[tree]
            edits.append(_name_back(now, held.items[k], renamed[tree]))

    def after(seen: Tree | None) -> Tree:
        assert seen is not None
        fields = dict(seen[1])
        kind, array, items, qualifiers = fields[_mwg("RegionList")]
        kept = tuple(names_back.get(k, item) for k, item in enumerate(items) if k not in gone)
        fields[_mwg("RegionList")] = (kind, array, kept, qualifiers)
        return (seen[0], tuple(sorted(fields.items())), seen[2])

    return RegionEdit(tuple(edits), after) if edits else RegionEdit()


def _without(packet: Packet, element: Element | None) -> Splice:
    assert element is not None  # a structure is an element, and so is an item
    start = element.start
    return Splice(start - len(space_before(packet.encoded.utf8, start)), element.end, b"")


def _name_back(packet: Packet, region: Value, was: Tree) -> Splice:
    """The edit that makes a region's name what it was: absent, or empty."""
    value = region.fields[_NAME]
    if _mwg("Name") in dict(was[1]):
        (edit,) = replace_value(packet, value, dict(was[1])[_mwg("Name")][1])
        return edit
    if value.attribute is not None:
        place = start_tag(packet.encoded.utf8, value.holder).properties[value.attribute]
        return Splice(place.start, place.end, b"")
    return _without(packet, value.holder)
