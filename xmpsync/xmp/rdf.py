"""Properties of a packet: the subset of RDF that XMP allows, read from the element tree.

XMP part 1, 7.4 to 7.9 and annex C.2. What the standard forbids (rdf:ID, rdf:nodeID, rdf:datatype, parse types other
than Resource, typed nodes at the top, numbered members, text between properties, one name twice) is refused with its
place: a packet that different readers would understand differently must not be edited.
"""

from __future__ import annotations

import enum
import functools
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import NamedTuple, NoReturn

from xmpsync.xmp import names
from xmpsync.xmp.scan import Document, Element, stray_text

_RDF_START = names.RDF + names.SEPARATOR
_XML_START = names.XML + names.SEPARATOR


class _Sort(enum.Enum):
    """What a name may be in RDF as XMP allows it."""

    PLAIN = enum.auto()
    """A property, field or qualifier: of any other namespace, or rdf:type."""
    VALUE = enum.auto()
    ABOUT = enum.auto()
    XML = enum.auto()
    BARE = enum.auto()
    """Without a namespace."""
    FORBIDDEN = enum.auto()
    """Of RDF's own namespace, with a meaning of its own or none here."""


@functools.lru_cache(maxsize=4096)
def _sort(name: str) -> _Sort:
    """Remembered, as sidecars of one shoot have the same names."""
    if name.startswith(_XML_START):
        return _Sort.XML
    if not name.startswith(_RDF_START):
        return _Sort.PLAIN if names.SEPARATOR in name else _Sort.BARE
    special = {names.RDF_VALUE: _Sort.VALUE, names.RDF_ABOUT: _Sort.ABOUT, names.RDF_TYPE: _Sort.PLAIN}
    return special.get(name, _Sort.FORBIDDEN)


_NONE: Mapping[str, Value] = MappingProxyType({})


class Kind(enum.Enum):
    SIMPLE = "a text"
    URI = "a URI"
    STRUCTURE = "a structure"
    ARRAY = "an array"


class Value:
    """A property's value.

    `text` is set for SIMPLE and URI, `fields` for STRUCTURE, `items` for ARRAY; `qualifiers` for any (7.8). For SIMPLE
    and URI, `holder` and `attribute` say where the text stands: in that attribute of that element, or, where
    `attribute` is None, between the element's tags. For ARRAY `holder` is the rdf:Bag, rdf:Seq or rdf:Alt. For
    STRUCTURE it is the element with the fields.
    """

    __slots__ = ("attribute", "fields", "holder", "items", "kind", "qualifiers", "text")

    def __init__(
        self,
        kind: Kind,
        holder: Element,
        attribute: str | None = None,
        text: str = "",
        fields: Mapping[str, Value] = _NONE,
        items: Sequence[Value] = (),
        qualifiers: Mapping[str, Value] = _NONE,
    ) -> None:
        self.kind = kind
        self.holder = holder
        self.attribute = attribute
        self.text = text
        self.fields = fields
        self.items = items
        self.qualifiers = qualifiers


class Property(NamedTuple):
    """A top-level property: `element` is its own element, None where it is an attribute of `description`."""

    name: str
    description: Element
    element: Element | None
    value: Value

    @property
    def start(self) -> int:
        return self.description.start if self.element is None else self.element.start


class RdfReader:
    """Reads the properties of one rdf:RDF element. Raises `SidecarMalformed` for what XMP forbids."""

    def __init__(self, document: Document, attribute_place: Callable[[Element, str], int]) -> None:
        self.document = document
        self.attribute_place = attribute_place

    def read(self, rdf: Element) -> tuple[list[Element], dict[str, Property], str]:
        """The rdf:Description elements, the properties by name, and rdf:about."""
        for name in rdf.attributes:
            if not name.startswith(_XML_START):
                self._refuse_attribute("rdf:RDF has an attribute", rdf, name)
        self._no_text(rdf)
        descriptions = rdf.elements
        properties: dict[str, Property] = {}
        about = ""
        for description in descriptions:
            if description.name != names.RDF_DESCRIPTION:
                self._refuse(
                    f"{names.readable(description.name)} stands where only rdf:Description may", description.start
                )
            own = description.attribute(names.RDF_ABOUT) or ""
            # 7.4: equal everywhere; an empty or missing one beside a name is tolerated
            if own and about and own != about:
                self._refuse_attribute("rdf:about names two resources:", description, names.RDF_ABOUT)
            about = about or own
            self._description(description, properties)
        return descriptions, properties, about

    def _description(self, description: Element, properties: dict[str, Property]) -> None:
        for name, text in description.attributes.items():
            sort = _sort(name)
            if sort is not _Sort.PLAIN:
                if sort is _Sort.ABOUT or sort is _Sort.XML:
                    continue
                self._check_attribute(description, name)
                self._refuse_attribute("A top-level property may not be", description, name)
            if name in properties:
                self._refuse_attribute("The packet holds twice", description, name)
            value = Value(Kind.SIMPLE, description, name, text)
            properties[name] = Property(name, description, None, value)
        self._no_text(description)
        for element in description.elements:
            name = element.name
            if _sort(name) is not _Sort.PLAIN:
                self._check_element(element)
                if name == names.RDF_VALUE:
                    self._refuse("A top-level property may not be rdf:value", element.start)
            if name in properties:
                self._refuse(f"The packet holds twice {names.readable(name)}", element.start)
            properties[name] = Property(name, description, element, self._property(element))

    # one property element (annex C.2.5 ff.)

    def _property(self, element: Element) -> Value:
        children = element.elements
        if not element.attributes and not children:
            return Value(Kind.SIMPLE, element, None, element.text)
        parse_type = resource = None
        others: list[str] = []
        language: Value | None = None
        for name, text in element.attributes.items():
            if name == names.RDF_PARSE_TYPE:
                parse_type = text
            elif name == names.RDF_RESOURCE:
                resource = text
            elif name == names.XML_LANG:
                language = Value(Kind.SIMPLE, element, name, text)
            elif not name.startswith(_XML_START):
                self._check_attribute(element, name)
                others.append(name)
        if parse_type is not None:
            if parse_type != "Resource":
                self._refuse_attribute(f'XMP forbids the value "{parse_type}" of', element, names.RDF_PARSE_TYPE)
            if others or resource is not None:
                self._refuse(f"{names.readable(element.name)} has attributes beside rdf:parseType", element.start)
            value = self._structure(element)
        elif children:
            if others or resource is not None:
                self._refuse(f"{names.readable(element.name)} has attributes beside its content", element.start)
            self._no_text(element)
            if len(children) > 1:
                self._refuse(f"{names.readable(element.name)} holds more than one value", children[1].start)
            value = self._node(children[0])
        elif others or resource is not None:
            if element.text:
                self._refuse(f"{names.readable(element.name)} has both attributes and a text", element.start)
            value = self._from_attributes(element, others, resource)
        else:
            value = Value(Kind.SIMPLE, element, None, element.text)
        if language is not None:
            value.qualifiers = {**value.qualifiers, names.XML_LANG: language}
        return value

    def _from_attributes(self, element: Element, others: list[str], resource: str | None) -> Value:
        fields = {name: Value(Kind.SIMPLE, element, name, element.attributes[name]) for name in others}
        if resource is not None:
            if names.RDF_VALUE in fields:
                self._refuse(f"{names.readable(element.name)} has both rdf:value and rdf:resource", element.start)
            return Value(Kind.URI, element, names.RDF_RESOURCE, resource, qualifiers=fields)
        return self._qualified(Value(Kind.STRUCTURE, element, fields=fields))

    def _node(self, node: Element) -> Value:
        """The value that a node element stands for: an array, a structure, or a qualified value."""
        if node.name in names.RDF_ARRAYS:
            for name in node.attributes:
                if not name.startswith(_XML_START):
                    self._refuse_attribute(f"{names.readable(node.name)} has an attribute", node, name)
            self._no_text(node)
            for item in node.elements:
                if item.name != names.RDF_LI:
                    self._refuse(f"{names.readable(item.name)} stands where only rdf:li may", item.start)
            return Value(Kind.ARRAY, node, items=[self._property(item) for item in node.elements])
        # 7.9.2.5: a node with a name of its own is typed, short for rdf:type inside a Description
        typed = names.SEPARATOR in node.name and not node.name.startswith(_RDF_START)
        if node.name != names.RDF_DESCRIPTION and not typed:
            self._refuse(f"{names.readable(node.name)} stands where a value must", node.start)
        return self._structure(node)

    def _structure(self, element: Element) -> Value:
        """Fields from the attributes (of a node element) and the children."""
        fields: dict[str, Value] = {}
        for name, text in element.attributes.items():
            if _sort(name) is not _Sort.PLAIN:
                if name.startswith(_XML_START) or name in (names.RDF_ABOUT, names.RDF_PARSE_TYPE):
                    continue
                self._check_attribute(element, name)
            fields[name] = Value(Kind.SIMPLE, element, name, text)
        self._no_text(element)
        for child in element.elements:
            if _sort(child.name) is not _Sort.PLAIN:
                self._check_element(child)
            if child.name in fields:
                self._refuse(f"A structure holds twice {names.readable(child.name)}", child.start)
            fields[child.name] = self._property(child)
        return self._qualified(Value(Kind.STRUCTURE, element, fields=fields))

    def _qualified(self, value: Value) -> Value:
        """7.8: a structure with rdf:value is that value, and the other fields are its qualifiers."""
        inner = value.fields.get(names.RDF_VALUE)
        if inner is None:
            return value
        others = {name: field for name, field in value.fields.items() if name != names.RDF_VALUE}
        inner.qualifiers = {**inner.qualifiers, **others}
        return inner

    # refusals

    def _check_attribute(self, element: Element, name: str) -> None:
        sort = _sort(name)
        if sort is _Sort.BARE:
            self._refuse_attribute("An attribute without a namespace:", element, name)
        if sort in (_Sort.FORBIDDEN, _Sort.ABOUT):
            self._refuse_attribute("XMP forbids here", element, name)

    def _check_element(self, element: Element) -> None:
        sort = _sort(element.name)
        if sort is _Sort.BARE:
            self._refuse(f"A property without a namespace: {element.name}", element.start)
        if sort in (_Sort.FORBIDDEN, _Sort.ABOUT):
            self._refuse(f"XMP forbids here {names.readable(element.name)}", element.start)

    def _no_text(self, element: Element) -> None:
        offset = stray_text(self.document.encoded.utf8, element)
        if offset is not None:
            self._refuse(f"Text between the elements of {names.readable(element.name)}", offset)

    def _refuse(self, what: str, offset: int) -> NoReturn:
        self.document.refuse(what, offset)

    def _refuse_attribute(self, what: str, element: Element, name: str) -> NoReturn:
        self._refuse(f"{what} {names.readable(name)}", self.attribute_place(element, name))
