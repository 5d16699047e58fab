"""A second, independent reading of a packet, by lxml: what it says, in comparable form.

Shares nothing with our own parser but the namespace URIs, so that a mistake in one shows up against the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from lxml import etree

from xmpsync.errors import SidecarMalformed
from xmpsync.xmp import names
from xmpsync.xmp.encoding import NEXT_STEP

_RDF = f"{{{names.RDF}}}"
_DESCRIPTION = _RDF + "Description"
_VALUE = _RDF + "value"
_ABOUT = _RDF + "about"
_LANGUAGE = f"{{{names.XML}}}lang"
_XML = f"{{{names.XML}}}"
_META = (f"{{{names.META}}}xmpmeta", f"{{{names.META}}}xapmeta")

_ARRAYS = {_RDF + kind: kind for kind in ("Bag", "Seq", "Alt")}
_PARSER = etree.XMLParser(
    encoding="utf-8", resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False, strip_cdata=True
)

Tree = tuple[Any, ...]
"""("text", t, qualifiers), ("uri", ...), ("array", kind, items, qualifiers) or ("structure", fields, qualifiers); the
fields and qualifiers are pairs of a name and a tree, sorted."""


@dataclass(frozen=True, slots=True)
class Statements:
    """`properties`: the value of each top-level property by {URI}local; `about`: the resource's name; `around`: all the
    rest of the document."""

    properties: dict[str, Tree]
    about: str
    around: Tree


def read_statements(utf8: bytes) -> Statements:
    """The statements of a packet's UTF-8 copy. Raises `SidecarMalformed` for what this reader does not accept."""
    try:
        root: Any = etree.fromstring(utf8, _PARSER)
    except etree.XMLSyntaxError as error:
        line, column = error.position
        raise SidecarMalformed(
            f"Readers disagree on whether the packet is well-formed: {str(error.msg).rsplit(', line ', 1)[0]}",
            line=line,
            column=column,
            next_step=NEXT_STEP,
        ) from None
    metas: list[Any] = list(root.iter(*_META))
    rdf: Any = next((metas[0] if metas else root).iter(_RDF + "RDF"))
    properties: dict[str, Tree] = {}
    about, n_found = "", 0
    for description in _elements(rdf):
        for name, text in description.items():
            if name == _ABOUT:
                about = about or text
            elif not name.startswith(_XML):
                properties[name] = ("text", text, ())
                n_found += 1
        for child in _elements(description):
            properties[child.tag] = _property(child)
            n_found += 1
    if n_found != len(properties):
        raise SidecarMalformed("The packet holds a property twice", next_step=NEXT_STEP)
    return Statements(properties, about, _around(root, rdf))


def spelled(name: str) -> str:
    """An expanded name as this reader spells it: {URI}local."""
    uri, local = names.split(name)
    return f"{{{uri}}}{local}"


def _text(element: Any) -> str:
    text: str = element.text or ""
    return text + "".join([child.tail or "" for child in element]) if len(element) else text


def _elements(element: Any) -> list[Any]:
    return [child for child in element if isinstance(child.tag, str)]


def _attributes(element: Any) -> dict[str, str]:
    """Attributes but those of XML itself."""
    return {name: text for name, text in element.items() if not name.startswith(_XML)}


def _property(element: Any) -> Tree:
    attributes = dict(element.items())
    if not attributes and not len(element):
        return ("text", element.text or "", ())
    language = attributes.get(_LANGUAGE)
    outer = () if language is None else ((_LANGUAGE, ("text", language, ())),)
    attributes = _attributes(element)
    parse_type = attributes.pop(_RDF + "parseType", None)
    resource = attributes.pop(_RDF + "resource", None)
    children = _elements(element)
    if parse_type is not None:
        return _fields(children, {}, outer)
    if resource is not None:
        others = [(name, ("text", text, ())) for name, text in attributes.items()]
        return ("uri", resource, tuple(sorted([*outer, *others])))
    if children:
        return _node(children[0], outer)
    if attributes:
        return _fields([], attributes, outer)
    return ("text", _text(element), outer)


def _node(node: Any, outer: Tree) -> Tree:
    tag = node.tag
    kind = _ARRAYS.get(tag)
    if kind is not None:
        return ("array", kind, tuple([_property(item) for item in _elements(node)]), outer)
    attributes = _attributes(node)
    attributes.pop(_ABOUT, None)
    if tag != _DESCRIPTION:
        attributes[_RDF + "type"] = tag
    return _fields(_elements(node), attributes, outer)


def _fields(children: list[Any], attributes: dict[str, str], outer: Tree) -> Tree:
    fields: dict[str, Tree] = {name: ("text", text, ()) for name, text in attributes.items()}
    for child in children:
        fields[child.tag] = _property(child)
    value = fields.pop(_VALUE, None)
    others = tuple(sorted(fields.items()))
    if value is None:
        return ("structure", others, outer)
    return (*value[:-1], tuple(sorted((*value[-1], *others, *outer))))


def _around(element: Any, rdf: Any) -> Tree:
    """The document outside rdf:RDF: tags, attributes and texts."""
    if element is rdf:
        return ("rdf", element.tail or "")
    if not isinstance(element.tag, str):
        return ("aside", element.text or "", element.tail or "")
    return (
        element.tag,
        tuple(sorted(element.attrib.items())),
        element.text or "",
        tuple(_around(child, rdf) for child in element),
        element.tail or "",
    )
