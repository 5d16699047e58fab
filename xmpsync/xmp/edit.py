"""The edits: which bytes of a packet change for a wanted change of fields. Nothing else moves."""

from __future__ import annotations

from dataclasses import dataclass

from xmpsync.xmp import fields
from xmpsync.xmp.fields import ROWS, Field, formatted
from xmpsync.xmp.insert import add_keyword, insert_simple
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.region_edit import FaceNames, RegionEdit, write_regions
from xmpsync.xmp.regions import REGIONS
from xmpsync.xmp.restore import restore_fields
from xmpsync.xmp.scan import XML_SPACE, Aside
from xmpsync.xmp.settings import DevelopSettings, ExposureField, exposure_field, keywords
from xmpsync.xmp.splice import Splice, apply_edits, escaped, replace_value, trailing_nuls
from xmpsync.xmp.verify import becomes_text, checked, gains_item, same_meaning

__all__ = [
    "Change", "OurFields", "already_says", "apply_change", "from_embedded", "new_sidecar", "our_fields",
    "replace_in_place", "restore_fields",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Change:
    """What to write; None leaves a field as it is.

    Temperature in kelvin (2000..50000), tint (-150..150), exposure in EV (-4..4, two decimals are kept). `keyword` is
    added to dc:subject unless it is there. `metadata_date` (XMP part 2, 3.1: xmp:MetadataDate) is an ISO 8601 date,
    written only when asked for. `in_force`: beside numbers, HasSettings becomes True and a missing process version is
    put in, without which a reader may ignore the numbers. `names`: faces to name by regions.
    """

    temperature_k: int | None = None
    tint: int | None = None
    exposure_ev: float | None = None
    keyword: str | None = None
    metadata_date: str | None = None
    in_force: bool = False
    names: FaceNames | None = None


@dataclass(frozen=True, slots=True)
class OurFields:
    """The texts of our own properties as a packet holds them, None where it does not: to see whether they changed."""

    temperature: str | None
    tint: str | None
    white_balance: str | None
    exposure2012: str | None
    exposure: str | None


def our_fields(data: bytes) -> OurFields:
    """The texts of our own properties. Raises `SidecarMalformed`."""
    packet = Packet.parse(data)
    return OurFields(
        temperature=packet.text(ROWS[Field.TEMPERATURE].name),
        tint=packet.text(ROWS[Field.TINT].name),
        white_balance=packet.text(ROWS[Field.WHITE_BALANCE].name),
        exposure2012=packet.text(ROWS[Field.EXPOSURE2012].name),
        exposure=packet.text(ROWS[Field.EXPOSURE].name),
    )


def wanted_texts(packet: Packet, change: Change) -> dict[str, str]:
    """The texts that a change asks for, by expanded property name. Raises `SidecarMalformed` where the exposure has
    no clear place, ValueError for numbers outside their range."""
    wanted: dict[str, str] = {}
    which = exposure_field(packet)
    if change.temperature_k is not None or change.tint is not None:
        # numbers beside "As Shot" would contradict it
        wanted[ROWS[Field.WHITE_BALANCE].name] = fields.CUSTOM
    if change.temperature_k is not None:
        wanted[ROWS[Field.TEMPERATURE].name] = formatted(Field.TEMPERATURE, change.temperature_k)
    if change.tint is not None:
        wanted[ROWS[Field.TINT].name] = formatted(Field.TINT, change.tint)
    if change.exposure_ev is not None:
        if which is ExposureField.UNCLEAR:
            found = packet.properties.get(fields.PROCESS_VERSION) or packet.properties[ROWS[Field.EXPOSURE2012].name]
            packet.document.refuse(
                "It is unclear whether crs:Exposure2012 or crs:Exposure counts in this packet "
                f"(process version {packet.text(fields.PROCESS_VERSION) or 'none'})",
                found.start,
            )
        field = Field.EXPOSURE2012 if which is ExposureField.EXPOSURE2012 else Field.EXPOSURE
        wanted[ROWS[field].name] = formatted(field, change.exposure_ev)
    if wanted and change.in_force:
        wanted |= _in_force(packet, which)
    if change.metadata_date is not None:
        wanted[fields.METADATA_DATE] = change.metadata_date
    return wanted


def _in_force(packet: Packet, which: ExposureField) -> dict[str, str]:
    """What must stand beside our numbers so that a reader uses them: HasSettings True, and a process version.

    A process version that is there stays. Where there is none, it is the one under which the exposure keeps its
    property; where that is unclear, none is added: it would decide for one of the two.
    """
    wanted = {fields.HAS_SETTINGS: "True"}
    versions = {
        ExposureField.EXPOSURE2012: fields.NEW_PROCESS_VERSION,
        ExposureField.EXPOSURE: fields.OLDEST_PROCESS_VERSION,
    }
    if fields.PROCESS_VERSION not in packet.properties and which in versions:
        wanted[fields.PROCESS_VERSION] = versions[which]
    return wanted


def already_says(settings: DevelopSettings | None, change: Change) -> bool:
    """Whether a packet with these settings already says what the change asks for, number by number.

    The cheap answer for a count; `apply_change` compares the texts themselves.
    """
    if settings is None or change.metadata_date is not None or change.names is not None:
        return False
    asked = [
        (change.temperature_k, settings.temperature_k),
        (change.tint, settings.tint),
        (None if change.exposure_ev is None else round(change.exposure_ev, 2), settings.exposure_ev),
    ]
    if any(wanted is not None and wanted != found for wanted, found in asked):
        return False
    writes_white = change.temperature_k is not None or change.tint is not None
    if writes_white and settings.white_balance != fields.CUSTOM:
        return False
    stands = settings.has_settings is True and settings.process_version is not None
    if change.in_force and (writes_white or change.exposure_ev is not None) and not stands:
        return False
    return change.keyword is None or change.keyword in settings.keywords


def apply_change(data: bytes, change: Change) -> bytes:
    """The packet with the wanted fields changed and every other byte as it was; with nothing to change, `data` itself.

    Raises
    ------
    SidecarMalformed
        The packet is malformed or ambiguous, has no rdf:Description, or its exposure has no clear place.
    OwnCheckFailed
        The result did not pass the checks of `xmpsync.xmp.verify`.
    ValueError
        A number is outside its field's range.
    """
    return edited(Packet.parse(data), change)


def edited(packet: Packet, change: Change) -> bytes:
    """`apply_change` of a packet that is parsed already."""
    wanted = wanted_texts(packet, change)
    keyword = change.keyword if change.keyword and change.keyword not in keywords(packet) else None
    edits = _plan(packet, wanted, keyword)
    regions = RegionEdit() if change.names is None else write_regions(packet, change.names)
    edits = _together(edits, regions.edits)
    if not edits:
        return packet.data
    changes = {name: becomes_text(text) for name, text in wanted.items()}
    if keyword is not None:
        changes[fields.SUBJECT] = gains_item(keyword)
    if regions.becomes is not None:
        changes[REGIONS] = regions.becomes
    return checked(packet, edits, changes)


def _together(edits: list[Splice], more: tuple[Splice, ...]) -> list[Splice]:
    """Both, where two may put children into one empty element: its end tag is then made once."""
    both = [*edits, *more]
    ends = [edit for edit in both if edit.start < edit.end and edit.new.startswith(b">")]
    same = [edit for edit in ends if edit.start == ends[0].start] if ends else []
    if len(same) < 2:
        return both
    inner, end = [], same[0].new[same[0].new.rindex(b"</") :]
    for edit in same:
        inner.append(edit.new[1 : edit.new.rindex(b"</")])
    one = Splice(same[0].start, same[0].end, b">" + b"".join(inner) + end)
    return [edit for edit in both if edit not in same] + [one]


def _plan(packet: Packet, wanted: dict[str, str], keyword: str | None) -> list[Splice]:
    edits: list[Splice] = []
    missing: dict[str, str] = {}
    for name, text in wanted.items():
        value = packet.value(name)
        if value is None:
            missing[name] = text
        elif value.text != text:
            edits += replace_value(packet, value, text)
    if missing:
        edits += insert_simple(packet, missing)
    if keyword is not None:
        edits += add_keyword(packet, keyword)
    return edits


_NEW = """<x:xmpmeta xmlns:x="adobe:ns:meta/">
 <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
  <rdf:Description rdf:about=""
    xmlns:crs="http://ns.adobe.com/camera-raw-settings/1.0/"
   crs:ProcessVersion="{version}"
   crs:HasSettings="True"/>
 </rdf:RDF>
</x:xmpmeta>
"""


def new_sidecar(change: Change) -> bytes:
    """A new sidecar (XMP part 3: a complete XML document) with the wanted fields, `HasSettings` and the process version
    of the field table."""
    return apply_change(_NEW.format(version=escaped(fields.NEW_PROCESS_VERSION)).encode("utf-8"), change)


def from_embedded(packet_bytes: bytes, change: Change) -> bytes:
    """A new sidecar that starts as a copy of the packet embedded in a RAW file, so that nothing there is shadowed.

    NUL bytes that fill up the embedded packet's space are left out. A packet without any rdf:Description holds nothing
    to shadow: the sidecar is then `new_sidecar(change)`.
    """
    body = packet_bytes[: len(packet_bytes) - trailing_nuls(packet_bytes)]
    packet = Packet.parse(body)
    return edited(packet, change) if packet.descriptions else new_sidecar(change)


def replace_in_place(packet_bytes: bytes, change: Change, size: int) -> bytes | None:
    """An embedded packet of exactly `size` bytes with the wanted fields changed, None when it does not fit.

    XMP part 1, 7.3.2: the white space before the packet's trailer is padding for edits in place. It gives or takes the
    difference; NUL bytes after the packet, which fill up its space, do the same.
    """
    nuls = trailing_nuls(packet_bytes)
    body = packet_bytes[: len(packet_bytes) - nuls]
    packet = Packet.parse(body)
    result = edited(packet, change)
    if nuls and len(result) <= size:
        return result + bytes(size - len(result))
    return _fit(result, size)


def _fit(data: bytes, size: int) -> bytes | None:
    """`data` brought to `size` bytes by its padding alone."""
    packet = Packet.parse(data)
    encoded = packet.encoded
    missing, rest = divmod(size - len(data), len(encoded.part_back(b" ")))
    if rest:
        return None
    if missing == 0:
        return data
    end = _padding_end(packet)
    if end is None:
        return None
    start = len(encoded.utf8[:end].rstrip(b" \t\r\n"))
    padding = encoded.utf8[start:end]
    if len(padding) + missing < 0:
        return None
    # the padding's end stays, so that the trailer keeps its own line
    kept = b" " * missing + padding if missing > 0 else padding[-missing:]
    result = apply_edits(encoded, [Splice(start, end, kept)])
    same_meaning(data, result)
    return result


def _padding_end(packet: Packet) -> int | None:
    """Where the padding ends: at the packet's trailer (beside rdf:RDF or behind the root), or at the document's end.

    None where text, and not only white space, stands before the trailer.
    """
    for aside in reversed(packet.document.asides):
        if _is_trailer(aside):
            return aside.start
    around = [] if packet.rdf.parent is None else packet.rdf.parent.content
    for index, item in enumerate(around):
        if isinstance(item, Aside) and _is_trailer(item):
            before = around[index - 1] if index else ""
            return None if isinstance(before, str) and before.strip(XML_SPACE) else item.start
    return len(packet.encoded.utf8)


def _is_trailer(aside: Aside) -> bool:
    """XMP part 1, 7.3.2: `<?xpacket end="w"?>`."""
    return aside.target == "xpacket" and aside.text.startswith("end")
