"""What is read, and what is refused with its place. Clauses are of the XMP specification, part 1 (ISO 16684-1)."""

from __future__ import annotations

import pytest

from tests.xmp.samples import DECLARED, attributes, elements, rdf
from xmpsync.errors import SidecarMalformed
from xmpsync.xmp import names
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.rdf import Kind
from xmpsync.xmp.scan import ScanLimits

TEMPERATURE = names.expanded(names.CAMERA_RAW, "Temperature")


def refusal(data: bytes, limits: ScanLimits | None = None) -> SidecarMalformed:
    with pytest.raises(SidecarMalformed) as caught:
        Packet.parse(data, limits or ScanLimits())
    return caught.value


FORBIDDEN = {
    # 7.4: rdf:RDF holds only rdf:Description, and no attributes
    "attribute of rdf:RDF": rdf('<rdf:Description rdf:about=""/>').replace(b"<rdf:RDF ", b'<rdf:RDF x:a="1" '),
    "text in rdf:RDF": rdf('text<rdf:Description rdf:about=""/>'),
    "an array at the top": rdf("<rdf:Bag/>"),
    "two names of the resource": rdf('<rdf:Description rdf:about="a"/><rdf:Description rdf:about="b"/>'),
    # 7.9.2.5, C.2: forbidden attributes
    "rdf:ID": attributes('rdf:ID="a"'),
    "rdf:nodeID on a property": elements('<o:a rdf:nodeID="b"/>'),
    "rdf:datatype": elements('<o:a rdf:datatype="b">1</o:a>'),
    "rdf:bagID": attributes('rdf:bagID="b"'),
    "an attribute of no namespace": attributes('Temperature="1"'),
    "an attribute of no namespace on a property": elements('<o:a lang="en">1</o:a>'),
    "parseType Literal": elements('<o:a rdf:parseType="Literal"><b/></o:a>'),
    "attributes beside parseType": elements('<o:a rdf:parseType="Resource" o:b="1"/>'),
    "rdf:resource beside parseType": elements('<o:a rdf:parseType="Resource" rdf:resource="1"/>'),
    "attributes beside content": elements('<o:a o:b="1"><rdf:Bag/></o:a>'),
    "rdf:resource beside content": elements('<o:a rdf:resource="1"><rdf:Bag/></o:a>'),
    "attributes beside text": elements('<o:a o:b="1">c</o:a>'),
    "rdf:value beside rdf:resource": elements('<o:a rdf:value="1" rdf:resource="2"/>'),
    "two values": elements("<o:a><rdf:Bag/><rdf:Bag/></o:a>"),
    "text beside a value": elements("<o:a>x<rdf:Bag/></o:a>"),
    # 7.4, 6.1
    "rdf:value at the top": attributes('rdf:value="1"'),
    "rdf:value element at the top": elements("<rdf:value>1</rdf:value>"),
    "rdf:li as a property": elements("<rdf:li>1</rdf:li>"),
    "a property of no namespace": elements("<a>1</a>"),
    "a property twice, attribute and element": attributes('o:a="1"', "<o:a>1</o:a>"),
    "a property twice with one value": elements("<o:a>1</o:a><o:a>1</o:a>"),
    "a property twice through two prefixes": attributes('o:a="1"', '<p:a xmlns:p="http://example.org/other/">2</p:a>'),
    "a field twice": elements('<o:a rdf:parseType="Resource"><o:b>1</o:b><o:b>2</o:b></o:a>'),
    "a field twice, attribute and element": elements(
        '<o:a><rdf:Description o:b="1"><o:b>2</o:b></rdf:Description></o:a>'
    ),
    # 7.7: rdf:li only
    "numbered items": elements("<o:a><rdf:Bag><rdf:_1>1</rdf:_1></rdf:Bag></o:a>"),
    "attributes of an array": elements('<o:a><rdf:Bag o:b="1"/></o:a>'),
    "text in an array": elements("<o:a><rdf:Bag>1</rdf:Bag></o:a>"),
    "an RDF word as a value": elements("<o:a><rdf:List/></o:a>"),
    "a value of no namespace": elements("<o:a><b/></o:a>"),
    # 7.3.3
    "two x:xmpmeta": b"<a>" + attributes("") + attributes("") + b"</a>",
    "two rdf:RDF": rdf("</rdf:RDF><rdf:RDF xmlns:rdf='http://www.w3.org/1999/02/22-rdf-syntax-ns#'>"),
    "rdf:RDF not right in x:xmpmeta": rdf("")
    .replace(b"<rdf:RDF ", b"<a><rdf:RDF ")
    .replace(b"</rdf:RDF>", b"</rdf:RDF></a>"),
    "rdf:RDF outside x:xmpmeta": b'<a xmlns:x="adobe:ns:meta/"><x:xmpmeta/>' + rdf("")[36:-12] + b"</a>",
    # part 2, 3.3: our own properties are plain values
    "a list as temperature": elements("<crs:Temperature><rdf:Seq><rdf:li>1</rdf:li></rdf:Seq></crs:Temperature>"),
    # 7.1
    "a foreign encoding": b'<?xml version="1.0" encoding="ISO-8859-1"?>' + rdf(""),
    "another Unicode encoding": b'<?xml version="1.0" encoding="UTF-16"?>' + rdf(""),
    "an undefined entity": elements("<o:a>&eacute;</o:a>"),
    "a no-character": elements("<o:a>\uffff</o:a>"),
}


@pytest.mark.parametrize("what", FORBIDDEN)
def test_what_the_standard_forbids_is_refused_with_its_place(what: str) -> None:
    error = refusal(FORBIDDEN[what])
    assert error.line == 1
    assert error.column is not None


ALLOWED = {
    # 7.4: a missing or empty rdf:about beside a name
    "mixed rdf:about": rdf('<rdf:Description rdf:about="a"/><rdf:Description/><rdf:Description rdf:about="a"/>'),
    "no description": rdf(""),
    "comments and instructions": rdf("<!--a--><?b c?><rdf:Description><!--d--><?e?></rdf:Description>"),
    "xml attributes": attributes('xml:lang="en" xml:space="preserve"', '<o:a xml:base="b">1</o:a>'),
    "attributes of rdf:RDF from xml": rdf("").replace(b"<rdf:RDF ", b'<rdf:RDF xml:lang="en" '),
    "an array with xml:lang": elements(
        '<o:a><rdf:Alt xml:lang="en"><rdf:li xml:lang="x-default">1</rdf:li></rdf:Alt></o:a>'
    ),
    "rdf:type": elements('<rdf:type rdf:resource="b"/>'),
    "a declared encoding": b'<?xml version="1.0" encoding="utf-8"?>' + rdf(""),
    "white space before": b"\n \t" + rdf(""),
}


@pytest.mark.parametrize("what", ALLOWED)
def test_what_the_standard_allows_is_read(what: str) -> None:
    assert Packet.parse(ALLOWED[what]).data == ALLOWED[what]


def test_rdf_outside_the_marked_packet_is_none_of_our_business() -> None:
    """7.3.3: x:xmpmeta tells the packet from other uses of RDF."""
    foreign = b'<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#" a="b">text</rdf:RDF>'
    packet = Packet.parse(b"<svg>" + foreign + attributes('crs:Temperature="5500"') + foreign + b"</svg>")
    assert packet.text(TEMPERATURE) == "5500"


@pytest.mark.parametrize("name", ["utf-16-le", "utf-16-be", "utf-32-le", "utf-32-be"])
@pytest.mark.parametrize("declared", ["", "UTF", "exact"])
def test_declared_encodings_agree_with_the_bytes(name: str, declared: str) -> None:
    """7.1; the declaration may leave the byte order to the mark."""
    label = {"UTF": name[:6], "exact": name.replace("-le", "LE").replace("-be", "BE")}.get(declared)
    text = rdf("").decode()
    if label:
        text = f"<?xml version='1.0' encoding='{label}'?>" + text
    assert Packet.parse(text.encode(name)).encoded.codec == name
    assert Packet.parse(("\ufeff" + text).encode(name)).encoded.mark == "\ufeff".encode(name)


def test_a_value_knows_its_qualifiers() -> None:
    """7.8: xml:lang and general qualifiers."""
    inner = (
        '<crs:Temperature xml:lang="en" rdf:parseType="Resource"><rdf:value>1</rdf:value><o:q>x</o:q></crs:Temperature>'
    )
    value = Packet.parse(elements(inner)).value(TEMPERATURE)
    assert value is not None and value.text == "1"
    assert {names.readable(name): q.text for name, q in value.qualifiers.items()} == {
        "{http://example.org/other/}q": "x",
        "xml:lang": "en",
    }


def test_a_qualified_uri_keeps_its_qualifiers() -> None:
    value = Packet.parse(elements('<o:a rdf:resource="u" o:q="x"/>')).value(
        names.expanded("http://example.org/other/", "a")
    )
    assert value is not None and (value.kind, value.text) == (Kind.URI, "u")
    assert [q.text for q in value.qualifiers.values()] == ["x"]


def test_a_typed_node_inside_is_a_structure() -> None:
    """7.9.2.5 forbids typed nodes at the top only."""
    value = Packet.parse(elements("<o:a><o:T><o:b>1</o:b></o:T></o:a>")).value(
        names.expanded("http://example.org/other/", "a")
    )
    assert value is not None and value.kind is Kind.STRUCTURE
    assert [v.text for v in value.fields.values()] == ["1"]


def test_an_absent_property_has_no_text() -> None:
    packet = Packet.parse(elements("<o:a><rdf:Bag/></o:a>"))
    assert packet.text(TEMPERATURE) is None
    assert packet.text(names.expanded("http://example.org/other/", "a")) is None


def test_places_count_lines_of_every_kind_and_characters() -> None:
    for line in ("\n", "\r\n", "\r"):
        data = rdf(f"{line}<rdf:Description>{line}  äö🦊</rdf:Description>")
        error = refusal(data)
        assert (error.line, error.column) == (3, 3)
    error = refusal(rdf("<rdf:Description>\n<!-- 🦊 --> x</rdf:Description>").decode().encode("utf-16"))
    assert error.line == 2


def test_text_behind_a_child_is_found() -> None:
    data = elements("<o:a/>\n here")
    error = refusal(data)
    assert (error.line, error.column) == (2, 2)


@pytest.mark.parametrize(
    ("limits", "data", "word"),
    [
        (ScanLimits(max_bytes=100), elements(""), "larger"),
        (ScanLimits(max_tags=5), elements("<o:a/>"), "tags"),
        (ScanLimits(max_attributes=3), elements(""), "attributes"),
        (ScanLimits(max_attributes_of_one=1), attributes('o:b="1"'), "attributes"),
        (ScanLimits(max_depth=3), elements("<o:a/>"), "deeper"),
    ],
)
def test_size_and_depth_are_bounded(limits: ScanLimits, data: bytes, word: str) -> None:
    assert word in refusal(data, limits).what


def test_nothing_but_nul_bytes_is_empty() -> None:
    assert "empty" in refusal(bytes(40)).what
    assert "empty" in refusal(b"").what


def test_names_are_shown_as_a_person_writes_them() -> None:
    assert names.readable(TEMPERATURE) == "crs:Temperature"
    assert names.readable("Temperature") == "Temperature"
    assert DECLARED.startswith("xmlns:crs")
