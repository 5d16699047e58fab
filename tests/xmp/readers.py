"""Second readers: libraries that have nothing to do with our parser, brought to one comparable form.

A reading is a dict from (namespace URI, local name) to a tree: a text, or a tuple of (predicate, tree) pairs.
"""

from __future__ import annotations

import ctypes
import subprocess
from pathlib import Path
from typing import Any

import rdflib
from lxml import etree
from rdflib.term import BNode, Literal, Node, URIRef

RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
CRS = "http://ns.adobe.com/camera-raw-settings/1.0/"
DC = "http://purl.org/dc/elements/1.1/"
XMP = "http://ns.adobe.com/xap/1.0/"
VALUE = RDF + "value"

Tree = Any


def as_utf8(data: bytes) -> bytes:
    """A packet's text as UTF-8, by Python's codecs alone; XML declarations are cut off."""
    marks = (
        (b"\xff\xfe\0\0", "utf-32"), (b"\0\0\xfe\xff", "utf-32"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"),
        (b"\xef\xbb\xbf", "utf-8-sig"),
    )  # fmt: skip
    codec = next((codec for mark, codec in marks if data.startswith(mark)), None)
    if codec is None:
        zeros = data[:4].count(0)
        codec = {3: "utf-32-", 2: "utf-16-"}.get(zeros, "utf-8")
        if codec != "utf-8":
            codec += "be" if data[0] == 0 else "le"
    text = data.decode(codec)
    if text.startswith("<?xml "):
        text = text[text.index("?>") + 2 :]
    return text.encode("utf-8")


def rdf_element(data: bytes) -> bytes:
    """The rdf:RDF element of a packet, by lxml."""
    parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False)
    root = etree.fromstring(as_utf8(data), parser)
    meta = next(root.iter("{adobe:ns:meta/}xmpmeta", "{adobe:ns:meta/}xapmeta"), root)
    rdf = next(meta.iter(f"{{{RDF}}}RDF"))
    rdf.tail = None
    return etree.tostring(rdf, encoding="utf-8")


def triples(data: bytes) -> dict[str, Tree]:
    """rdflib's reading: predicate to tree, over all subjects of the packet. The subject must be one resource."""
    graph = rdflib.Graph()
    graph.parse(data=rdf_element(data), format="xml", publicID="urn:the-picture")
    inner = set(graph.objects())
    found: dict[str, Tree] = {}
    for subject, predicate, value in graph:
        if subject in inner and isinstance(subject, BNode):
            continue
        assert str(predicate) not in found
        found[str(predicate)] = _tree(graph, value)
    return found


def _tree(graph: rdflib.Graph, node: Node) -> Tree:
    if isinstance(node, BNode):
        return tuple(sorted(((str(p), _tree(graph, o)) for p, o in graph.predicate_objects(node)), key=repr))
    if isinstance(node, Literal):
        return ("text", str(node), node.language)
    assert isinstance(node, URIRef)
    return ("uri", str(node))


def text_of(tree: Tree) -> str | None:
    """The text of a simple value, qualified or not."""
    if tree is None:
        return None
    if tree[0] == "text":
        return str(tree[1])
    return next((text_of(value) for predicate, value in tree if predicate == VALUE), None)


def with_text(tree: Tree, text: str) -> Tree:
    """The same value with another text, qualifiers kept."""
    if tree is None:
        return ("text", text, None)
    if tree[0] == "text":
        return ("text", text, tree[2])
    changed = ((p, with_text(value, text) if p == VALUE else value) for p, value in tree)
    return tuple(sorted(changed, key=repr))


def with_item(tree: Tree, text: str) -> Tree:
    """The same array with one more text; a missing one is a Bag."""
    pairs = tree if tree is not None else ((RDF + "type", ("uri", RDF + "Bag")),)
    number = 1 + sum(1 for predicate, _ in pairs if predicate.startswith(RDF + "_"))
    return tuple(sorted([*pairs, (f"{RDF}_{number}", ("text", text, None))], key=repr))


def exempi(data: bytes) -> dict[str, str]:
    """libexempi's reading: "URI path" to value. Raises libxmp's XMPError. Empty without x:xmpmeta or xpacket."""
    from libxmp import XMPIterator, XMPMeta
    from libxmp import exempi as low

    meta = XMPMeta()
    # the library's own call takes str only, which would leave the encodings untested
    low.EXEMPI.xmp_parse.restype = low.check_error
    low.EXEMPI.xmp_parse.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_size_t]
    low.EXEMPI.xmp_parse(meta.xmpptr, data, len(data))
    return {f"{schema} {path}": value for schema, path, value, _ in XMPIterator(meta, iter_justleafnodes=True)}


def exiv2(data: bytes, folder: Path) -> dict[str, str]:
    """The exiv2 command's reading of a sidecar: key to value."""
    path = folder / "frame.xmp"
    path.write_bytes(data)
    run = subprocess.run(["exiv2", "-PXkv", str(path)], capture_output=True, text=True, check=False, timeout=60)
    assert run.returncode == 0, run.stderr
    pairs = (line.split(None, 1) for line in run.stdout.splitlines())
    return {pair[0]: pair[1] if len(pair) > 1 else "" for pair in pairs if pair and pair[0].startswith("Xmp.")}
