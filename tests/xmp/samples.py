"""Small packets for tests of one thing each."""

from __future__ import annotations

CRS = "http://ns.adobe.com/camera-raw-settings/1.0/"
DECLARED = (
    f'xmlns:crs="{CRS}" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:dc="http://purl.org/dc/elements/1.1/" '
    'xmlns:o="http://example.org/other/"'
)


def rdf(inner: str) -> bytes:
    """A packet with `inner` between the tags of rdf:RDF."""
    return (
        f'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">{inner}'
        "</rdf:RDF></x:xmpmeta>"
    ).encode()


def attributes(text: str, inner: str = "") -> bytes:
    """A packet with one rdf:Description that has these attributes and children, all usual prefixes declared."""
    return rdf(f'<rdf:Description rdf:about="" {DECLARED} {text}>{inner}</rdf:Description>')


def elements(inner: str) -> bytes:
    """A packet whose properties are elements."""
    return rdf(f'<rdf:Description rdf:about="" {DECLARED}>{inner}</rdf:Description>')
