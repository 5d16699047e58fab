"""Two checks that every edit passes before anybody sees it (the design's order of writes).

1. Bytes: outside the edited spans every byte of the packet is what it was, in the packet's own encoding.
2. Meaning: a second XML reader (lxml) finds in the result exactly what our own parser found before the edit, with the
   asked-for properties changed.

An edit that only puts text in place of text, inside rdf:RDF, leaves comments, processing instructions and foreign XML
alone by the first check. Any other edit (one that takes markup away, or leads near a limit), and any result that the
second reader sees otherwise, goes the long way: both readers read the packet before and after, and our parser's stream
of events must be the same outside the properties too. A failing check is a bug of ours, and nothing is written.
"""

from __future__ import annotations

from collections.abc import Callable

from xmpsync.errors import OwnCheckFailed, SidecarMalformed
from xmpsync.xmp.encoding import decode
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.scan import LIMITS, XML_SPACE, Content, Element
from xmpsync.xmp.second_reader import Statements, Tree, read_statements, spelled
from xmpsync.xmp.splice import Splice, apply_edits, in_order
from xmpsync.xmp.stated import stated

_NEXT = "Please report this with the sidecar; the sidecar was not touched."


Becomes = Callable[[Tree | None], Tree | None]
"""The value that a property must have after an edit, from its value before (None: absent)."""


def becomes_text(text: str) -> Becomes:
    """The property is this text; qualifiers stay."""
    return lambda before: ("text", text, () if before is None else before[2])


def gains_item(text: str) -> Becomes:
    """The array has one more text at its end; a missing one is made as a Bag."""

    def after(before: Tree | None) -> Tree:
        array = before is not None and before[0] == "array"
        _, kind, items, qualifiers = before if before is not None and array else ("array", "Bag", (), ())
        return ("array", kind, (*items, ("text", text, ())), qualifiers)

    return after


def becomes_absent(_before: Tree | None) -> Tree | None:
    """The property is gone."""
    return None


def checked(packet: Packet, edits: list[Splice], changes: dict[str, Becomes]) -> bytes:
    """The edited packet, checked: the properties named in `changes` become what these say, and nothing else changes.

    Raises `OwnCheckFailed`, and `SidecarMalformed` where the second reader refuses the packet as it is.
    """
    result = apply_edits(packet.encoded, edits)
    _bytes_outside(packet, edits, result)
    if not (_only_puts_text(packet, edits, result) and _seen_as_meant(packet, result, changes)):
        before_seen = read_statements(packet.encoded.utf8)
        after = _same_events(packet, result, set(changes))
        compare(changed(before_seen, changes), _seen_after(after))
    return result


_ROOM = 0.5
"""Share of each limit up to which a result is sure to be readable for our own parser."""


def _only_puts_text(packet: Packet, edits: list[Splice], result: bytes) -> bool:
    """Whether no edit takes markup away or leaves rdf:RDF, and the result is far from every limit of our parser."""
    utf8, rdf = packet.encoded.utf8, packet.rdf
    if any(b"<" in utf8[e.start : e.end] or e.start < rdf.start or e.end > rdf.end for e in edits):
        return False
    new = b"".join([edit.new for edit in edits])
    if b"<!" in new or b"<?" in new:
        return False
    sizes = (
        (len(result), LIMITS.max_bytes),
        (utf8.count(b"<") + new.count(b"<"), LIMITS.max_tags),
        (utf8.count(b"=") + new.count(b"="), LIMITS.max_attributes),
        (
            max([len(d.attributes) for d in packet.descriptions], default=0) + new.count(b"="),
            LIMITS.max_attributes_of_one,
        ),
        (_depth(rdf), LIMITS.max_depth),
    )
    return all(size <= _ROOM * limit for size, limit in sizes)


def _depth(element: Element) -> int:
    depth = 0
    while element.parent is not None:
        element, depth = element.parent, depth + 1
    return depth


def _seen_as_meant(packet: Packet, result: bytes, changes: dict[str, Becomes]) -> bool:
    """Whether the second reader sees in the result what our parser saw before, with the changes."""
    try:
        seen = read_statements(decode(result).utf8)
    except SidecarMalformed:
        return False
    before = Statements(stated({name: p.value for name, p in packet.properties.items()}), packet.about, seen.around)
    return changed(before, changes) == seen


def changed(seen: Statements, changes: dict[str, Becomes]) -> Statements:
    """The statements with the properties named in `changes` as these say."""
    properties = dict(seen.properties)
    for name, becomes in changes.items():
        spelling = spelled(name)
        value = becomes(properties.pop(spelling, None))
        if value is not None:
            properties[spelling] = value
    return Statements(properties, seen.about, seen.around)


def compare(expected: Statements, seen: Statements) -> None:
    """Raises `OwnCheckFailed` unless the second reader sees what is expected."""
    if expected.around != seen.around or expected.about != seen.about:
        raise OwnCheckFailed("An edit would have changed something outside the properties", next_step=_NEXT)
    if expected.properties != seen.properties:
        names = sorted(expected.properties.keys() | seen.properties.keys())
        wrong = [name for name in names if expected.properties.get(name) != seen.properties.get(name)]
        raise OwnCheckFailed(f"An edit would have changed the wrong thing: {', '.join(wrong)}", next_step=_NEXT)


def same_meaning(before: bytes, after: bytes) -> None:
    """Raises `OwnCheckFailed` unless two packets differ only in white space around rdf:RDF and the properties."""
    packet = Packet.parse(before)
    again = _same_events(packet, after, set(), padding=True)
    seen = read_statements(packet.encoded.utf8)
    compare(seen, Statements(_seen_after(again).properties, seen.about, seen.around))


def _seen_after(packet: Packet) -> Statements:
    try:
        return read_statements(packet.encoded.utf8)
    except SidecarMalformed as error:
        raise OwnCheckFailed(f"An edit would have broken the packet: {error.what}", next_step=_NEXT) from error


def _bytes_outside(packet: Packet, edits: list[Splice], result: bytes) -> None:
    """Walks original and result side by side in the packet's own encoding."""
    encoded = packet.encoded
    before = after = len(encoded.mark)
    at = 0
    for edit in [*in_order(edits), Splice(len(encoded.utf8), len(encoded.utf8), b"")]:
        kept = len(encoded.part_back(encoded.utf8[at : edit.start]))
        if packet.data[before : before + kept] != result[after : after + kept]:
            raise OwnCheckFailed("An edit would have changed a byte outside its place", next_step=_NEXT)
        before += kept + len(encoded.part_back(encoded.utf8[edit.start : edit.end]))
        after += kept + len(encoded.part_back(edit.new))
        at = edit.end
    if (before, after) != (len(packet.data), len(result)) or not result.startswith(encoded.mark):
        raise OwnCheckFailed("An edit would have changed the packet's length wrongly", next_step=_NEXT)


def _same_events(packet: Packet, result: bytes, names: set[str], *, padding: bool = False) -> Packet:
    try:
        after = Packet.parse(result)
    except SidecarMalformed as error:
        raise OwnCheckFailed(f"An edit would have broken the packet: {error.what}", next_step=_NEXT) from error
    if packet.document.asides != after.document.asides or not _alike(packet, after, names, padding=padding):
        raise OwnCheckFailed("An edit would have changed other parts of the packet", next_step=_NEXT)
    if after.encoded.codec != packet.encoded.codec or after.about != packet.about:
        raise OwnCheckFailed("An edit would have changed the packet's encoding or subject", next_step=_NEXT)
    return after


def _alike(before: Packet, after: Packet, names: set[str], *, padding: bool) -> bool:
    """Whether two documents hold the same, element by element, but for the named properties and for white space around
    properties, and with `padding` also for white space beside rdf:RDF."""
    loose = [*before.descriptions, *after.descriptions]
    if padding:
        loose += [packet.rdf.parent for packet in (before, after) if packet.rdf.parent is not None]
    known = set(map(id, loose))
    pairs = [(before.document.root, after.document.root)]
    for old, new in pairs:  # grows while it is walked
        if old.name != new.name:
            return False
        if id(old) in known or id(new) in known:
            old_attributes, old_content = _kept(old, names)
            new_attributes, new_content = _kept(new, names)
        else:
            old_attributes, old_content = old.attributes, old.content
            new_attributes, new_content = new.attributes, new.content
        if old_attributes != new_attributes or (old_attributes and list(old_attributes) != list(new_attributes)):
            return False
        if len(old_content) != len(new_content):
            return False
        for one, other in zip(old_content, new_content, strict=True):
            if isinstance(one, Element) and isinstance(other, Element):
                pairs.append((one, other))
            elif one != other:
                return False
    return True


def _kept(element: Element, names: set[str]) -> tuple[dict[str, str], list[Content]]:
    """Attributes and content of a loose element without the changed properties and without white space."""
    attributes = {name: text for name, text in element.attributes.items() if name not in names}
    content = [
        item
        for item in element.content
        if not (
            item.name in names if isinstance(item, Element) else isinstance(item, str) and not item.strip(XML_SPACE)
        )
    ]
    return attributes, content
