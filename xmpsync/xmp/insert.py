"""New properties in a packet that lacks them, in the style of what stands around them.

A property becomes an attribute (XMP part 1, 7.9.2.2) beside attributes and an element beside elements. White space,
quotes and indentation are copied from the neighbour. The prefix is one that is bound to the namespace right at the
rdf:Description; where there is none, one is declared there, under a name that means nothing there yet.
"""

from __future__ import annotations

import re

from xmpsync.xmp import fields, names
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.rdf import Kind
from xmpsync.xmp.scan import Element, start_tag_end
from xmpsync.xmp.splice import Splice, escaped, replace_raw_value, space_before
from xmpsync.xmp.tags import Attribute, StartTag, start_tag

_LINE_END = re.compile(rb"\r\n|\r|\n")


def insert_simple(packet: Packet, missing: dict[str, str]) -> list[Splice]:
    """The edits that add simple properties (text by expanded name). Raises `SidecarMalformed` without a place."""
    edits: list[Splice] = []
    by_uri: dict[str, dict[str, str]] = {}
    for name, text in missing.items():
        by_uri.setdefault(names.split(name)[0], {})[name] = text
    for uri, wanted in by_uri.items():
        target = _target(packet, uri)
        if _as_elements(target, uri):
            edits += _insert_elements(packet, target, uri, wanted)
        else:
            edits += _insert_attributes(packet, target, uri, wanted)
    return edits


def _target(packet: Packet, uri: str) -> Element:
    """The rdf:Description to insert into: the first with properties of the namespace, else the first one."""
    for description in packet.descriptions:
        if _holds(description, uri):
            return description
    if not packet.descriptions:
        packet.document.refuse("The packet has no rdf:Description to put settings into", packet.rdf.start)
    return packet.descriptions[0]


def _holds(description: Element, uri: str) -> bool:
    """Whether it has properties of the namespace."""
    start = names.expanded(uri, "")
    return any(name.startswith(start) for name in description.attributes) or any(
        element.name.startswith(start) for element in description.elements
    )


def _as_elements(target: Element, uri: str) -> bool:
    """Whether the packet writes such properties as elements."""
    start = names.expanded(uri, "")
    if any(name.startswith(start) for name in target.attributes):
        return False
    elements = target.elements
    if any(element.name.startswith(start) and not element.elements for element in elements):
        return True
    return (
        bool(elements)
        and all(names.split(name)[0] in (names.RDF, names.XML) for name in target.attributes)
        and all(not element.elements for element in elements)
    )


# attributes


def _insert_attributes(packet: Packet, target: Element, uri: str, wanted: dict[str, str]) -> list[Splice]:
    utf8 = packet.encoded.utf8
    tag = start_tag(utf8, target)
    prefix, declaration = _prefix(target, uri, attribute=True)
    anchor = _anchor(tag, uri)
    at = tag.name_end if anchor is None else anchor.end
    space, quote = _style(utf8, anchor)
    added: list[bytes] = []
    edits: list[Splice] = []
    if declaration:
        declared = [attribute for attribute in tag.attributes if attribute.declares is not None]
        beside = declared[-1] if declared else anchor
        # the declaration goes beside the others, which may stand behind the properties
        where = at if beside is None else beside.end
        own_space, own_quote = _style(utf8, beside)
        text = own_space + b"xmlns:" + prefix + b"=" + own_quote + uri.encode("utf-8") + own_quote
        if where == at:
            added.append(text)
        else:
            edits.append(Splice(where, where, text))
    for name, value in wanted.items():
        local = names.split(name)[1].encode("utf-8")
        added.append(space + prefix + b":" + local + b"=" + quote + escaped(value).encode("utf-8") + quote)
    return [*edits, Splice(at, at, b"".join(added))]


def _anchor(tag: StartTag, uri: str) -> Attribute | None:
    """The attribute to insert behind: the last of the namespace, else the last property, else the last one."""
    start = names.expanded(uri, "")
    latest = None
    for name, attribute in reversed(tag.properties.items()):
        if name.startswith(start):
            return attribute
        if latest is None and names.split(name)[0] not in (names.RDF, names.XML):
            latest = attribute
    if latest is None and tag.attributes:
        return tag.attributes[-1]
    return latest


def _style(utf8: bytes, anchor: Attribute | None) -> tuple[bytes, bytes]:
    """White space before, and quote around, an attribute like `anchor`."""
    if anchor is None:
        return b" ", b'"'
    quote = utf8[anchor.value_end : anchor.end]
    return utf8[anchor.start : anchor.name_start], quote


# elements


def _insert_elements(packet: Packet, target: Element, uri: str, wanted: dict[str, str]) -> list[Splice]:
    utf8 = packet.encoded.utf8
    prefix, declaration = _prefix(target, uri, attribute=False)
    edits = [_declare(utf8, target, prefix, uri)] if declaration else []
    same = [element for element in target.elements if element.name.startswith(names.expanded(uri, ""))]
    beside = (same or target.elements)[-1]
    space = space_before(utf8, beside.start)
    added = b"".join(
        space + element(prefix, names.split(name)[1], escaped(text).encode("utf-8")) for name, text in wanted.items()
    )
    return [*edits, Splice(beside.end, beside.end, added)]


def element(prefix: bytes, local: str, inner: bytes) -> bytes:
    """An element's bytes; the empty prefix means the default namespace."""
    name = prefix + b":" * bool(prefix) + local.encode("utf-8")
    return b"<" + name + b">" + inner + b"</" + name + b">"


def _declare(utf8: bytes, target: Element, prefix: bytes, uri: str) -> Splice:
    """A namespace declaration in the start tag of `target`, beside the others."""
    tag = start_tag(utf8, target)
    declared = [attribute for attribute in tag.attributes if attribute.declares is not None]
    candidates = declared or list(tag.attributes)
    anchor = candidates[-1] if candidates else None
    at = tag.name_end if anchor is None else anchor.end
    space, quote = _style(utf8, anchor)
    return Splice(at, at, space + b"xmlns:" + prefix + b"=" + quote + uri.encode("utf-8") + quote)


def _prefix(target: Element, uri: str, *, attribute: bool) -> tuple[bytes, bool]:
    """A prefix for the namespace at an element, and whether it must be declared there first."""
    bound = target.prefixes_of(uri)
    usable = [prefix for prefix in bound if prefix] or ([] if attribute else bound)
    if usable:
        return usable[0].encode("utf-8"), False
    usual = names.PREFIXES.get(uri, "ns")
    candidate, number = usual, 1
    while target.uri_of(candidate) is not None:
        number += 1
        candidate = f"{usual}{number}"
    return candidate.encode("utf-8"), True


# keywords


def add_keyword(packet: Packet, keyword: str) -> list[Splice]:
    """The edits that add a keyword to dc:subject (XMP part 2, 3.4 of the Dublin Core schema: a Bag of Text), which is
    made when missing. Raises `SidecarMalformed` where dc:subject is no array."""
    utf8 = packet.encoded.utf8
    text = escaped(keyword).encode("utf-8")
    value = packet.value(fields.SUBJECT)
    if value is None:
        return _new_subject(packet, text)
    if _is_empty(packet):
        rdf, _ = _prefix(value.holder, names.RDF, attribute=False)
        return replace_raw_value(packet, value, element(rdf, "Bag", element(rdf, "li", text)))
    if value.kind is not Kind.ARRAY:
        packet.document.refuse(
            f"dc:subject is {value.kind.value}, not a list of keywords", packet.properties[fields.SUBJECT].start
        )
    array = value.holder
    prefix, _ = _prefix(array, names.RDF, attribute=False)
    item = element(prefix, "li", text)
    if array.elements:
        last = array.elements[-1]
        return [Splice(last.end, last.end, space_before(utf8, last.start) + item)]
    if array.empty_tag:
        return [Splice(array.end - 2, array.end, b">" + item + b"</" + start_tag(utf8, array).name + b">")]
    at = start_tag_end(utf8, array)
    return [Splice(at, at, item)]


def _is_empty(packet: Packet) -> bool:
    """Whether dc:subject is an element with nothing in it: a list without keywords."""
    found = packet.properties[fields.SUBJECT]
    value = found.value
    return (
        found.element is value.holder and value.kind is Kind.SIMPLE and not value.text.strip() and not value.attribute
    )


def declared_prefix(element: Element, uri: str) -> tuple[bytes, bool]:
    """A prefix for the namespace at an element, and whether it must be declared there first."""
    return _prefix(element, uri, attribute=True)


def put_element(packet: Packet, uri: str, text: bytes) -> list[Splice]:
    """The edits that add a whole property element of a namespace. Raises `SidecarMalformed` without a place."""
    utf8 = packet.encoded.utf8
    target = _target(packet, uri)
    outer, step = _indent(utf8, target)
    text = (outer + step if outer else b"") + text
    if target.elements:
        at = target.elements[-1].end
        return [Splice(at, at, text)]
    if target.empty_tag:
        return [Splice(target.end - 2, target.end, b">" + text + outer + b"</" + start_tag(utf8, target).name + b">")]
    at = start_tag_end(utf8, target)
    return [Splice(at, at, text)]


def _new_subject(packet: Packet, text: bytes) -> list[Splice]:
    utf8 = packet.encoded.utf8
    target = _target(packet, names.DC)
    edits: list[Splice] = []
    prefix, declaration = _prefix(target, names.DC, attribute=False)
    rdf, _ = _prefix(target, names.RDF, attribute=False)
    outer, step = _indent(utf8, target)
    if outer:
        bag = element(rdf, "Bag", outer + 3 * step + element(rdf, "li", text) + outer + 2 * step)
        subject = outer + step + element(prefix, "subject", outer + 2 * step + bag + outer + step)
    else:
        subject = element(prefix, "subject", element(rdf, "Bag", element(rdf, "li", text)))
    if declaration:
        # on the property itself, as the neighbours' declarations are none of our business
        head = b"<" + prefix + b":subject"
        subject = subject.replace(head, head + b" xmlns:" + prefix + b'="' + names.DC.encode("utf-8") + b'"', 1)
    if target.elements:
        at = target.elements[-1].end
        return [*edits, Splice(at, at, subject)]
    if target.empty_tag:
        return [
            Splice(target.end - 2, target.end, b">" + subject + outer + b"</" + start_tag(utf8, target).name + b">")
        ]
    at = start_tag_end(utf8, target)
    return [*edits, Splice(at, at, subject)]


def _indent(utf8: bytes, target: Element) -> tuple[bytes, bytes]:
    """Line end and indentation of `target`'s own line, and one step of indentation; both empty in a packet without."""
    outer = _own_line(utf8, target.start)
    if not outer:
        return b"", b""
    child = _own_line(utf8, target.elements[0].start) if target.elements else b""
    if child.startswith(outer) and child != outer:
        return outer, child[len(outer) :]
    return outer, b"\t" if outer.endswith(b"\t") else b" "


def _own_line(utf8: bytes, offset: int) -> bytes:
    space = space_before(utf8, offset)
    ends = list(_LINE_END.finditer(space))
    return space[ends[-1].start() :] if ends else b""
