"""A parsed packet: which properties it holds and where they stand in the bytes."""

from __future__ import annotations

from dataclasses import dataclass

from xmpsync.errors import SidecarMalformed
from xmpsync.xmp import names
from xmpsync.xmp.encoding import NEXT_STEP, Encoded, decode
from xmpsync.xmp.fields import SIMPLE_NAMES
from xmpsync.xmp.rdf import Kind, Property, RdfReader, Value
from xmpsync.xmp.scan import LIMITS, Document, Element, ScanLimits, scan
from xmpsync.xmp.tags import start_tag


@dataclass(frozen=True, slots=True)
class Packet:
    """One XMP packet (XMP part 1, clause 7), bytes and all.

    `properties` are the top-level properties by expanded name (`xmpsync.xmp.names.expanded`), `descriptions` the
    rdf:Description elements in the order of the document, `about` the resource's name, usually empty.
    """

    data: bytes
    encoded: Encoded
    document: Document
    rdf: Element
    descriptions: tuple[Element, ...]
    properties: dict[str, Property]
    about: str

    @classmethod
    def parse(cls, data: bytes, limits: ScanLimits = LIMITS) -> Packet:
        """A packet from its bytes.

        Raises
        ------
        SidecarMalformed
            With line and column: not well-formed, no XMP, ambiguous, or larger than `limits`.
        """
        if len(data) > limits.max_bytes:
            what = f"The packet is larger than {limits.max_bytes / 2**20:g} MiB ({len(data)} bytes)"
            raise SidecarMalformed(what, next_step=NEXT_STEP)
        document = scan(decode(data), limits)
        rdf = _find_rdf(document)
        reader = RdfReader(document, lambda element, name: _attribute_place(document, element, name))
        descriptions, properties, about = reader.read(rdf)
        for name in SIMPLE_NAMES & properties.keys():
            found = properties[name]
            if found.value.kind is not Kind.SIMPLE:
                document.refuse(f"{names.readable(name)} is {found.value.kind.value}, not a plain value", found.start)
        return cls(data, document.encoded, document, rdf, tuple(descriptions), properties, about)

    def value(self, name: str) -> Value | None:
        """The value of a top-level property, None if the packet does not hold it."""
        found = self.properties.get(name)
        return None if found is None else found.value

    def text(self, name: str) -> str | None:
        """The text of a simple top-level property, None if the packet does not hold it as such."""
        value = self.value(name)
        return value.text if value is not None and value.kind is Kind.SIMPLE else None


def _attribute_place(document: Document, element: Element, name: str) -> int:
    return start_tag(document.encoded.utf8, element).properties[name].name_start


def _find_rdf(document: Document) -> Element:
    """The one rdf:RDF element. XMP part 1, 7.3.3 and 7.4: x:xmpmeta marks it where other XML holds RDF as well."""
    metas: list[Element] = []
    roots: list[Element] = []
    for element in document.elements:
        if element.name in names.META_ROOTS:
            metas.append(element)
        elif element.name == names.RDF_ROOT:
            roots.append(element)
    if len(metas) > 1:
        document.refuse("A second x:xmpmeta", metas[1].start)
    if metas:
        roots = [element for element in roots if _inside(element, metas[0])]
    if not roots:
        document.refuse("The document holds no rdf:RDF, so no XMP", (metas[0] if metas else document.root).start)
    if len(roots) > 1:
        document.refuse("A second rdf:RDF", roots[1].start)
    if metas and roots[0].parent is not metas[0]:
        document.refuse("rdf:RDF is not directly inside x:xmpmeta", roots[0].start)
    return roots[0]


def _inside(element: Element, outer: Element) -> bool:
    return outer.start < element.start and element.end <= outer.end
