"""Namespace URIs, and names as the parser spells them: URI, U+0001, local name.

XMP part 1, 6.2: a name is a namespace URI and a local name, compared byte for byte; the prefix means nothing.
U+0001 is no legal XML character, so that no URI can contain the separator.
"""

from __future__ import annotations

SEPARATOR = "\x01"

RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
XML = "http://www.w3.org/XML/1998/namespace"
META = "adobe:ns:meta/"
"""Namespace of the optional x:xmpmeta element (XMP part 1, 7.3.3)."""
CAMERA_RAW = "http://ns.adobe.com/camera-raw-settings/1.0/"
"""Camera raw schema (XMP part 2, 3.3)."""
XMP = "http://ns.adobe.com/xap/1.0/"
TIFF = "http://ns.adobe.com/tiff/1.0/"
DC = "http://purl.org/dc/elements/1.1/"
MWG_REGIONS = "http://www.metadataworkinggroup.com/schemas/regions/"
"""Image regions (MWG guidelines 2.0, 5.9)."""
AREA = "http://ns.adobe.com/xmp/sType/Area#"
DIMENSIONS = "http://ns.adobe.com/xap/1.0/sType/Dimensions#"

PREFIXES = {
    RDF: "rdf", CAMERA_RAW: "crs", XMP: "xmp", DC: "dc", META: "x", XML: "xml", MWG_REGIONS: "mwg-rs", AREA: "stArea",
    DIMENSIONS: "stDim",
}  # fmt: skip
"""The prefixes that a reader expects to see, for messages and for new declarations; never for matching."""


def expanded(uri: str, local: str) -> str:
    """The parser's spelling of a name."""
    return f"{uri}{SEPARATOR}{local}"


def split(name: str) -> tuple[str, str]:
    """(URI, local name); the URI is empty where the name is in no namespace."""
    uri, found, local = name.rpartition(SEPARATOR)
    return (uri, local) if found else ("", name)


def readable(name: str) -> str:
    """A name as a person writes it: `crs:Temperature`, or with the URI in braces where no prefix is customary."""
    uri, local = split(name)
    if not uri:
        return local
    prefix = PREFIXES.get(uri)
    return f"{prefix}:{local}" if prefix else f"{{{uri}}}{local}"


RDF_ROOT = expanded(RDF, "RDF")
RDF_DESCRIPTION = expanded(RDF, "Description")
RDF_ABOUT = expanded(RDF, "about")
RDF_VALUE = expanded(RDF, "value")
RDF_TYPE = expanded(RDF, "type")
RDF_LI = expanded(RDF, "li")
RDF_RESOURCE = expanded(RDF, "resource")
RDF_PARSE_TYPE = expanded(RDF, "parseType")
RDF_ARRAYS = frozenset(expanded(RDF, kind) for kind in ("Bag", "Seq", "Alt"))
XML_LANG = expanded(XML, "lang")
META_ROOTS = frozenset(expanded(META, local) for local in ("xmpmeta", "xapmeta"))
"""`xapmeta` is the older spelling."""
