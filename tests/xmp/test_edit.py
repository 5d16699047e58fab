"""Edits byte by byte: style, prefixes, quotes, what is refused. Expected bytes are written out by hand."""

from __future__ import annotations

import pytest

from tests.xmp import readers
from tests.xmp.samples import CRS, DECLARED, attributes, elements, rdf
from xmpsync.errors import SidecarMalformed
from xmpsync.xmp.edit import (
    Change,
    apply_change,
    from_embedded,
    new_sidecar,
    our_fields,
    replace_in_place,
    restore_fields,
)
from xmpsync.xmp.embedded import embedded_packet
from xmpsync.xmp.fields import Field, formatted

EV = Change(exposure_ev=0.35)


def test_a_temperature_makes_the_white_balance_custom() -> None:
    """Part 2, 3.3: numbers beside "As Shot" would contradict it."""
    data = attributes('crs:WhiteBalance="As Shot" crs:Temperature="5500" crs:Tint="+1"')
    expected = attributes('crs:WhiteBalance="Custom" crs:Temperature="5200" crs:Tint="+1"')
    assert apply_change(data, Change(temperature_k=5200)) == expected


def test_an_exposure_alone_leaves_the_white_balance() -> None:
    data = attributes('crs:WhiteBalance="As Shot" crs:Exposure2012="0.00"')
    assert apply_change(data, EV) == attributes('crs:WhiteBalance="As Shot" crs:Exposure2012="+0.35"')


def test_new_properties_are_elements_beside_elements() -> None:
    data = elements("\r\n\t<crs:Temperature>5500</crs:Temperature>\r\n")
    expected = elements(
        "\r\n\t<crs:Temperature>5500</crs:Temperature>\r\n\t<crs:Exposure2012>+0.35</crs:Exposure2012>\r\n"
    )
    assert apply_change(data, EV) == expected


def test_new_properties_are_elements_where_all_properties_are() -> None:
    data = elements("<o:a>1</o:a>")
    assert apply_change(data, EV) == elements("<o:a>1</o:a><crs:Exposure2012>+0.35</crs:Exposure2012>")


def test_new_properties_are_attributes_otherwise() -> None:
    data = attributes("o:b='2'", "<o:a><rdf:Bag/></o:a>")
    assert apply_change(data, EV) == attributes("o:b='2' crs:Exposure2012='+0.35'", "<o:a><rdf:Bag/></o:a>")


def test_a_declaration_on_a_neighbour_does_not_reach() -> None:
    """The neighbour's prefix is bound on the neighbour only; a prototype got this wrong."""
    data = rdf(f'<rdf:Description rdf:about=""><q:Tint xmlns:q="{CRS}">+1</q:Tint></rdf:Description>')
    expected = rdf(
        f'<rdf:Description rdf:about="" xmlns:crs="{CRS}"><q:Tint xmlns:q="{CRS}">+1</q:Tint>'
        "<crs:Exposure2012>+0.35</crs:Exposure2012></rdf:Description>"
    )
    assert apply_change(data, EV) == expected


def test_a_default_namespace_serves_elements_but_not_attributes() -> None:
    data = rdf(f'<rdf:Description rdf:about="" xmlns="{CRS}"><Tint>+1</Tint></rdf:Description>')
    assert apply_change(data, EV) == data.replace(b"</Tint>", b"</Tint><Exposure2012>+0.35</Exposure2012>")
    data = rdf(f'<rdf:Description rdf:about="" xmlns="{CRS}"/>')
    expected = rdf(f'<rdf:Description rdf:about="" xmlns="{CRS}" xmlns:crs="{CRS}" crs:Exposure2012="+0.35"/>')
    assert apply_change(data, EV) == expected


def test_a_prefix_in_use_for_something_else_is_left_alone() -> None:
    data = rdf('<rdf:Description rdf:about="" xmlns:crs="a:" xmlns:crs2="b:" crs:Exposure2012="1"/>')
    expected = rdf(
        f'<rdf:Description rdf:about="" xmlns:crs="a:" xmlns:crs2="b:" xmlns:crs3="{CRS}" crs:Exposure2012="1" '
        'crs3:Exposure2012="+0.35"/>'
    )
    assert apply_change(data, EV) == expected


def test_a_prefix_rebound_nearer_is_not_used() -> None:
    data = rdf('<rdf:Description rdf:about="" xmlns:crs="a:" crs:b="1"/>').replace(
        b"<rdf:RDF ", f'<rdf:RDF xmlns:crs="{CRS}" '.encode()
    )
    after = apply_change(data, EV)
    assert f'xmlns:crs2="{CRS}"'.encode() in after
    assert readers.triples(after)[CRS + "Exposure2012"] == ("text", "+0.35", None)


def test_a_description_without_attributes_gets_its_first() -> None:
    expected = rdf(f'<rdf:Description xmlns:crs="{CRS}" crs:Exposure2012="+0.35"></rdf:Description>')
    assert apply_change(rdf("<rdf:Description></rdf:Description>"), EV) == expected


def test_a_description_without_attributes_gets_its_first_element() -> None:
    data = rdf('<rdf:Description><o:a xmlns:o="o:">1</o:a></rdf:Description>')
    expected = rdf(
        f'<rdf:Description xmlns:crs="{CRS}"><o:a xmlns:o="o:">1</o:a><crs:Exposure2012>+0.35</crs:Exposure2012>'
        "</rdf:Description>"
    )
    assert apply_change(data, EV) == expected


def test_new_properties_join_their_kin_in_a_later_description() -> None:
    data = rdf(f'<rdf:Description {DECLARED} o:a="1"/><rdf:Description {DECLARED} crs:Tint="0"/>')
    after = apply_change(data, EV)
    assert after == data.replace(b'crs:Tint="0"', b'crs:Tint="0" crs:Exposure2012="+0.35"')


def test_no_description_is_said_so() -> None:
    with pytest.raises(SidecarMalformed, match="no rdf:Description to put settings into") as caught:
        apply_change(rdf(""), EV)
    assert (caught.value.line, caught.value.column) == (1, 37)
    with pytest.raises(SidecarMalformed, match="no rdf:Description"):
        apply_change(rdf(""), Change(keyword="a"))


EMPTY = {
    "<crs:Tint></crs:Tint>": "<crs:Tint>+7</crs:Tint>",
    "<crs:Tint/>": "<crs:Tint>+7</crs:Tint>",
    "<crs:Tint />": "<crs:Tint >+7</crs:Tint>",
    "<crs:Tint xml:lang='de'/>": "<crs:Tint xml:lang='de'>+7</crs:Tint>",
    "<crs:Tint><!--a--></crs:Tint>": "<crs:Tint>+7<!--a--></crs:Tint>",
    "<crs:Tint><?a?> <!--b--> </crs:Tint>": "<crs:Tint><?a?>+7<!--b--></crs:Tint>",
    "<crs:Tint><![CDATA[<!--1-->]]></crs:Tint>": "<crs:Tint>+7</crs:Tint>",
}


@pytest.mark.parametrize("old", EMPTY)
def test_odd_element_values_are_replaced_and_comments_stay(old: str) -> None:
    white = "<crs:WhiteBalance>Custom</crs:WhiteBalance>"
    assert apply_change(elements(old + white), Change(tint=7)) == elements(EMPTY[old] + white)


def test_two_edits_with_one_value_are_one() -> None:
    data = attributes('crs:Exposure2012="+0.35"')
    assert apply_change(data, EV) is data


# keywords: Dublin Core subject is a Bag of Text (part 2)

KEYWORDS = {
    "<dc:subject><rdf:Bag><rdf:li>a</rdf:li></rdf:Bag></dc:subject>": (
        "<dc:subject><rdf:Bag><rdf:li>a</rdf:li><rdf:li>no face</rdf:li></rdf:Bag></dc:subject>"
    ),
    "<dc:subject><rdf:Seq>\n <rdf:li>a</rdf:li>\n</rdf:Seq></dc:subject>": (
        "<dc:subject><rdf:Seq>\n <rdf:li>a</rdf:li>\n <rdf:li>no face</rdf:li>\n</rdf:Seq></dc:subject>"
    ),
    "<dc:subject><rdf:Bag/></dc:subject>": "<dc:subject><rdf:Bag><rdf:li>no face</rdf:li></rdf:Bag></dc:subject>",
    "<dc:subject><rdf:Bag></rdf:Bag></dc:subject>": (
        "<dc:subject><rdf:Bag><rdf:li>no face</rdf:li></rdf:Bag></dc:subject>"
    ),
    "<dc:subject/>": "<dc:subject><rdf:Bag><rdf:li>no face</rdf:li></rdf:Bag></dc:subject>",
    "<dc:subject> </dc:subject>": "<dc:subject><rdf:Bag><rdf:li>no face</rdf:li></rdf:Bag></dc:subject>",
    "": "<dc:subject><rdf:Bag><rdf:li>no face</rdf:li></rdf:Bag></dc:subject>",
    "<o:a/>": "<o:a/><dc:subject><rdf:Bag><rdf:li>no face</rdf:li></rdf:Bag></dc:subject>",
    "\n  <o:a/>\n ": (
        "\n  <o:a/>\n  <dc:subject>\n   <rdf:Bag>\n    <rdf:li>no face</rdf:li>\n   </rdf:Bag>\n  </dc:subject>\n "
    ),
}


@pytest.mark.parametrize("old", KEYWORDS)
def test_a_keyword_joins_the_list(old: str) -> None:
    data = elements(old).replace(b"<rdf:Desc", b"\n <rdf:Desc") if old.startswith("\n") else elements(old)
    assert apply_change(data, Change(keyword="no face")) == data.replace(
        elements(old)[-len(old) - 49 :], elements(KEYWORDS[old])[-len(KEYWORDS[old]) - 49 :]
    )


def test_a_keyword_that_is_there_is_not_added_again() -> None:
    data = elements("<dc:subject><rdf:Bag><rdf:li>no face</rdf:li></rdf:Bag></dc:subject>")
    assert apply_change(data, Change(keyword="no face")) is data


def test_a_keyword_opens_a_closed_description_in_its_style() -> None:
    data = rdf("\r\n\t<rdf:Description/>")
    dc = readers.DC
    expected = rdf(
        f'\r\n\t<rdf:Description>\r\n\t\t<dc:subject xmlns:dc="{dc}">\r\n\t\t\t<rdf:Bag>'
        "\r\n\t\t\t\t<rdf:li>a &amp; b</rdf:li>\r\n\t\t\t</rdf:Bag>\r\n\t\t</dc:subject>\r\n\t</rdf:Description>"
    )
    assert apply_change(data, Change(keyword="a & b")) == expected


@pytest.mark.parametrize("subject", ['<dc:subject rdf:resource="a"/>', "<dc:subject>a</dc:subject>"])
def test_a_keyword_without_a_list_is_refused(subject: str) -> None:
    with pytest.raises(SidecarMalformed, match="not a list of keywords") as caught:
        apply_change(elements(subject), Change(keyword="b"))
    assert caught.value.line == 1
    with pytest.raises(SidecarMalformed, match="not a list of keywords"):
        apply_change(attributes('dc:subject=""'), Change(keyword="b"))


def test_the_metadata_date_is_written_when_asked_for() -> None:
    data = attributes('xmp:MetadataDate="2020-01-01"')
    after = apply_change(data, Change(metadata_date="2026-05-01T10:00:00Z"))
    assert after == attributes('xmp:MetadataDate="2026-05-01T10:00:00Z"')
    assert b"MetadataDate" not in apply_change(attributes(""), EV)


# which exposure (names and versions are not published, only seen)

EXPOSURES = {
    'crs:ProcessVersion="6.7"': "Exposure2012",
    'crs:ProcessVersion="11.0" crs:Exposure="1.0"': "Exposure2012",
    'crs:ProcessVersion="15"': "Exposure2012",
    "": "Exposure2012",
    'crs:Exposure2012="1"': "Exposure2012",
    'crs:ProcessVersion="5.7" crs:Exposure="1"': "Exposure",
    'crs:ProcessVersion="5.0"': "Exposure",
    'crs:Exposure="1"': "Exposure",
    'crs:ProcessVersion="5.7" crs:Exposure2012="1"': "Exposure",
    'crs:ProcessVersion="5.7" crs:Exposure="1" crs:Exposure2012="1"': "Exposure",
    'crs:ProcessVersion="6.6"': None,
    'crs:ProcessVersion="4.0"': None,
    'crs:ProcessVersion="new"': None,
    'crs:ProcessVersion="+6.7"': None,
    'crs:ProcessVersion=""': None,
    'crs:Exposure="1" crs:Exposure2012="1"': None,
}


@pytest.mark.parametrize("held", EXPOSURES)
def test_the_exposure_goes_where_the_process_version_says(held: str) -> None:
    data = attributes(held)
    name = EXPOSURES[held]
    if name is None:
        with pytest.raises(SidecarMalformed, match="unclear"):
            apply_change(data, EV)
        assert b'crs:Tint="+7"' in apply_change(data, Change(tint=7))
    else:
        after = readers.triples(apply_change(data, EV))
        assert after[CRS + name] == ("text", "+0.35", None)


# in force: the contract's rule on HasSettings and the process version

IN_FORCE = {
    # what is held, and what must be there afterwards
    "": ("True", "11.0"),
    'xmp:Rating="3"': ("True", "11.0"),
    'crs:HasSettings="False" crs:ProcessVersion="15.4"': ("True", "15.4"),
    'crs:HasSettings="True" crs:ProcessVersion="5.7" crs:Exposure="1"': ("True", "5.7"),
    # before process versions were written: the exposure must keep its property
    'crs:Exposure="+1.00"': ("True", "5.0"),
}


@pytest.mark.parametrize("held", IN_FORCE)
@pytest.mark.parametrize("change", [Change(tint=7, in_force=True), Change(exposure_ev=0.35, in_force=True)])
def test_written_numbers_are_in_force_and_everything_goes_back(held: str, change: Change) -> None:
    data = attributes(held)
    written = apply_change(data, change)
    after = readers.triples(written)
    assert tuple(after[CRS + local][1] for local in ("HasSettings", "ProcessVersion")) == IN_FORCE[held]
    assert apply_change(written, change) == written
    assert restore_fields(written, data, written) == data


def test_a_keyword_alone_puts_nothing_in_force() -> None:
    assert b"HasSettings" not in apply_change(attributes('xmp:Rating="3"'), Change(keyword="no face", in_force=True))


def test_an_unclear_process_is_not_decided_by_a_white_balance() -> None:
    data = attributes('crs:Exposure="1" crs:Exposure2012="1"')
    assert b"ProcessVersion" not in apply_change(data, Change(tint=7, in_force=True))


def test_an_edit_in_place_puts_our_numbers_in_force() -> None:
    data = attributes('crs:HasSettings="False" crs:ProcessVersion="11.0"')
    edited = replace_in_place(data + bytes(400), Change(tint=7, in_force=True), len(data) + 400)
    assert edited is not None and len(edited) == len(data) + 400
    assert edited.rstrip(b"\0") == attributes(
        'crs:HasSettings="True" crs:ProcessVersion="11.0" crs:WhiteBalance="Custom" crs:Tint="+7"'
    )


@pytest.mark.parametrize(
    ("field", "value", "text"),
    [
        # part 2, 3.3 and the forms seen in files
        (Field.TEMPERATURE, 5200, "5200"),
        (Field.TEMPERATURE, 2000, "2000"),
        (Field.TINT, 7, "+7"),
        (Field.TINT, -150, "-150"),
        (Field.TINT, 0, "0"),
        (Field.EXPOSURE2012, 0.35, "+0.35"),
        (Field.EXPOSURE2012, -0.25, "-0.25"),
        (Field.EXPOSURE2012, 0.0, "0.00"),
        (Field.EXPOSURE2012, -0.004, "0.00"),
        (Field.EXPOSURE2012, -4, "-4.00"),
        (Field.EXPOSURE, 1.005, "+1.00"),  # binary 1.00499...
    ],
)
def test_numbers_are_written_in_their_form(field: Field, value: float, text: str) -> None:
    assert formatted(field, value) == text


@pytest.mark.parametrize(
    "change",
    [
        Change(temperature_k=1999),
        Change(temperature_k=50001),
        Change(tint=-151),
        Change(exposure_ev=4.01),
        Change(exposure_ev=float("nan")),
        Change(keyword="a\0b"),
        Change(keyword="\ud800"),
        Change(keyword="\uffff"),
    ],
)
def test_values_that_cannot_be_are_refused(change: Change) -> None:
    with pytest.raises(ValueError, match=r"must be|cannot hold"):
        apply_change(attributes(""), change)


def test_line_ends_and_quotes_in_a_keyword_survive() -> None:
    word = "a\r\n\tb \"c\" 'd' <e> & ]]>"
    after = apply_change(attributes(""), Change(keyword=word))
    assert readers.triples(after)[readers.DC + "subject"][0][1] == ("text", word, None)


def test_our_fields_are_the_texts_as_read() -> None:
    fields = our_fields(
        attributes('crs:Temperature="&#53;500" crs:WhiteBalance="As Shot"', "<crs:Exposure>+1</crs:Exposure>")
    )
    assert (fields.temperature, fields.tint, fields.white_balance) == ("5500", None, "As Shot")
    assert (fields.exposure2012, fields.exposure) == (None, "+1")


# new sidecars and embedded packets


def test_a_new_sidecar_is_a_complete_document() -> None:
    """Part 3: a sidecar is a complete XML document; written out by hand."""
    expected = f"""<x:xmpmeta xmlns:x="adobe:ns:meta/">
 <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
  <rdf:Description rdf:about=""
    xmlns:crs="{CRS}"
   crs:ProcessVersion="11.0"
   crs:HasSettings="True"
   crs:WhiteBalance="Custom"
   crs:Temperature="5200"
   crs:Tint="+7"
   crs:Exposure2012="-0.25"/>
 </rdf:RDF>
</x:xmpmeta>
"""
    assert new_sidecar(Change(5200, 7, -0.25)) == expected.encode()


@pytest.mark.parametrize("codec", ["utf-8", "utf-16-le", "utf-16-be", "utf-32-le", "utf-32-be"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_a_sidecar_from_an_embedded_packet_keeps_all_of_it(codec: str, mark: str) -> None:
    text = mark + attributes('xmp:Rating="3" crs:Exposure2012="0.00"').decode()
    after = from_embedded((text + "\0\0\0").encode(codec), EV)
    assert after == text.replace('"0.00"', '"+0.35"').encode(codec)


def test_an_embedded_packet_without_anything_gives_a_new_sidecar() -> None:
    assert from_embedded(rdf(""), EV) == new_sidecar(EV)


HEAD, TAIL = '<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?>', '<?xpacket end="w"?>'


def wrapped(padding: str, tail: str = TAIL) -> str:
    return HEAD + attributes('crs:Exposure2012="0.0"').decode() + padding + tail


@pytest.mark.parametrize("codec", ["utf-8", "utf-16-be", "utf-32-le"])
def test_an_edit_in_place_takes_from_the_padding(codec: str) -> None:
    """7.3.2: the white space before the trailer is there for that."""
    data = wrapped(" " * 20 + "\n").encode(codec)
    after = replace_in_place(data, EV, len(data))
    assert after == wrapped(" " * 18 + "\n").replace('"0.0"', '"+0.35"').encode(codec)


def test_an_edit_in_place_gives_back_to_the_padding() -> None:
    data = wrapped("\n").replace('"0.0"', '"+0.350000"').encode()
    expected = wrapped("    \n").replace('"0.0"', '"+0.35"').encode()
    assert replace_in_place(data, EV, len(data)) == expected


def test_an_edit_in_place_may_use_up_the_padding_but_no_more() -> None:
    data = wrapped("  ").encode()
    assert replace_in_place(data, EV, len(data)) == wrapped("").replace('"0.0"', '"+0.35"').encode()
    data = wrapped(" ").encode()
    assert replace_in_place(data, EV, len(data)) is None


def test_an_edit_of_the_same_length_moves_nothing() -> None:
    data = wrapped("").replace('"0.0"', '"+0.36"').encode()
    assert replace_in_place(data, EV, len(data)) == wrapped("").replace('"0.0"', '"+0.35"').encode()


def test_an_edit_in_place_uses_filling_nul_bytes() -> None:
    data = wrapped("").encode() + bytes(10)
    assert replace_in_place(data, EV, len(data)) == wrapped("").replace('"0.0"', '"+0.35"').encode() + bytes(8)
    data = wrapped("     ").encode() + bytes(1)
    after = replace_in_place(data, EV, len(data))
    assert after == wrapped("    ").replace('"0.0"', '"+0.35"').encode()


def test_an_edit_in_place_works_without_a_trailer_and_inside_other_xml() -> None:
    data = wrapped(" " * 5, "").encode()
    assert replace_in_place(data, EV, len(data)) == wrapped(" " * 3, "").replace('"0.0"', '"+0.35"').encode()
    inner = attributes('crs:Exposure2012="0.0"').decode()
    text = inner.replace("</x:xmpmeta>", f"   {TAIL}</x:xmpmeta>")
    after = replace_in_place(text.encode(), EV, len(text))
    assert after == text.replace('"0.0"', '"+0.35"').replace(f"   {TAIL}", f" {TAIL}").encode()


def test_padding_behind_a_text_is_no_padding() -> None:
    text = attributes('crs:Exposure2012="0.0"').decode().replace("</x:xmpmeta>", f"a >   {TAIL}</x:xmpmeta>")
    assert replace_in_place(text.encode(), EV, len(text)) is None


def test_a_trailer_in_an_instruction_is_none() -> None:
    text = wrapped("   ", '<?xpacket end="   <?xpacket end="w"?>')
    after = replace_in_place(text.encode(), EV, len(text))
    assert after == wrapped(" ", '<?xpacket end="   <?xpacket end="w"?>').replace('"0.0"', '"+0.35"').encode()


def test_a_bare_rdf_element_has_its_padding_at_the_end() -> None:
    text = attributes('crs:Exposure2012="0.0"').decode()[36:-12] + "<!--a-->\n   "
    after = replace_in_place(text.encode(), EV, len(text))
    assert after == text.replace('"0.0"', '"+0.35"')[:-4].encode() + b"  "


def test_a_size_that_is_no_whole_character_does_not_fit() -> None:
    data = wrapped("    ").encode("utf-16-le")
    assert replace_in_place(data, EV, len(data) + 1) is None


def test_an_embedded_packet_is_read_without_its_filling() -> None:
    data = attributes('crs:Exposure2012="0.0"')
    assert embedded_packet(data + bytes(7)).data == data
