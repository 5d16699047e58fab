"""Rollback field by field, after somebody else has saved."""

from __future__ import annotations

import pytest

from tests.xmp import readers
from tests.xmp.samples import CRS, attributes, elements, rdf
from xmpsync.errors import SidecarMalformed
from xmpsync.xmp.edit import Change, apply_change, from_embedded, new_sidecar, restore_fields

CHANGE = Change(5200, 7, -0.25, keyword="no face", metadata_date="2026-05-01")


def test_untouched_bytes_go_back_exactly() -> None:
    data = elements("<crs:Temperature><![CDATA[5500]]></crs:Temperature>")
    written = apply_change(data, CHANGE)
    assert restore_fields(written, data, written) is data


def test_another_edit_elsewhere_stays_and_everything_else_is_as_before() -> None:
    data = attributes('xmp:Rating="1" crs:Temperature="&#53;500" crs:WhiteBalance="As Shot"', "<o:a>x</o:a>")
    written = apply_change(data, CHANGE)
    for old, new in ((b'Rating="1"', b'Rating="5"'), (b"<o:a>x</o:a>", b"<o:a>longer</o:a>")):
        current = written.replace(old, new)
        assert current != written
        assert restore_fields(current, data, written) == data.replace(old, new)


def test_edits_on_both_sides_stay() -> None:
    data = attributes('xmp:Rating="1" crs:Temperature="&#53;500"', "<o:a>x</o:a>")
    written = apply_change(data, CHANGE)
    current = written.replace(b'Rating="1"', b'Rating="5"').replace(b"<o:a>x</o:a>", b"<o:a>y</o:a>")
    assert restore_fields(current, data, written) == data.replace(b'Rating="1"', b'Rating="5"').replace(b">x<", b">y<")


def test_a_packet_written_anew_by_others_gets_our_fields_back() -> None:
    """Another program's own layout: elements for attributes, another prefix, another order, more keywords."""
    data = attributes('crs:Temperature="5500" crs:Tint="+1"')
    written = apply_change(data, CHANGE)
    other = (
        f'<c:Tint xmlns:c="{CRS}">+7</c:Tint><crs:Temperature>5200</crs:Temperature><crs:Contrast>9</crs:Contrast>'
        "<crs:WhiteBalance>Custom</crs:WhiteBalance><crs:Exposure2012>-0.25</crs:Exposure2012>"
        "<dc:subject><rdf:Bag><rdf:li>theirs</rdf:li><rdf:li>no face</rdf:li></rdf:Bag></dc:subject>"
    )
    expected = (
        f'<c:Tint xmlns:c="{CRS}">+1</c:Tint><crs:Temperature>5500</crs:Temperature><crs:Contrast>9</crs:Contrast>'
        "<dc:subject><rdf:Bag><rdf:li>theirs</rdf:li></rdf:Bag></dc:subject>"
    )
    assert restore_fields(elements(other), data, written) == elements(expected)


def test_what_our_run_did_not_write_stays_as_others_left_it() -> None:
    data = attributes('crs:Temperature="5500" crs:Exposure2012="0.00"')
    written = apply_change(data, Change(exposure_ev=1))
    current = attributes('crs:Temperature="6000" crs:Exposure2012="+1.00"')
    assert restore_fields(current, data, written) == attributes('crs:Temperature="6000" crs:Exposure2012="0.00"')


def test_a_field_that_others_removed_comes_back() -> None:
    data = attributes('crs:Exposure2012="+0.50"')
    written = apply_change(data, Change(exposure_ev=1))
    assert restore_fields(attributes('o:a="1"'), data, written) == attributes('o:a="1" crs:Exposure2012="+0.50"')


def test_a_field_that_others_put_back_already_stays() -> None:
    data = attributes('crs:Exposure2012="+0.50" o:a="1"')
    written = apply_change(data, Change(exposure_ev=1))
    current = attributes('crs:Exposure2012="+0.50" o:a="2"')
    assert restore_fields(current, data, written) == current


def test_a_text_with_markup_goes_back_in_any_place() -> None:
    data = elements('<crs:WhiteBalance><![CDATA[a"<b]]></crs:WhiteBalance>')
    written = apply_change(data, Change(tint=7))
    current = attributes('crs:WhiteBalance="Custom" crs:Tint="+7"')
    back = restore_fields(current, data, written)
    assert back == attributes('crs:WhiteBalance="a&quot;&lt;b"')


def test_an_empty_element_goes_back() -> None:
    data = elements("<crs:Tint/><o:a>1</o:a>")
    written = apply_change(data, Change(tint=7))
    current = written.replace(b"<o:a>1</o:a>", b"<o:a>2</o:a><o:b/>").replace(b">+7<", b"> +7 <")
    assert readers.triples(restore_fields(current, data, written))[CRS + "Tint"] == ("text", "", None)


def test_the_date_goes_back_unless_somebody_saved_since() -> None:
    data = attributes('xmp:MetadataDate="2020" o:a="1"')
    written = apply_change(data, CHANGE)
    later = written.replace(b"2026-05-01", b"2026-06-07").replace(b'o:a="1"', b'o:a="2"')
    assert b'xmp:MetadataDate="2026-06-07"' in restore_fields(later, data, written)
    same = written.replace(b'o:a="1"', b'o:a="2"')
    assert b'xmp:MetadataDate="2020"' in restore_fields(same, data, written)


def test_a_made_sidecar_loses_our_fields_and_keeps_theirs() -> None:
    written = new_sidecar(CHANGE)
    current = apply_change(written, Change(keyword="theirs"))
    seen = readers.triples(restore_fields(current, None, written))
    assert {name.removeprefix(CRS) for name in seen if name.startswith(CRS)} == {"ProcessVersion", "HasSettings"}
    assert [value for name, value in seen[readers.DC + "subject"] if "_" in name] == [("text", "theirs", None)]


def test_a_made_sidecar_untouched_loses_our_fields_too() -> None:
    written = new_sidecar(Change(exposure_ev=1))
    assert restore_fields(written, None, written) == written.replace(b'\n   crs:Exposure2012="+1.00"', b"")


def test_a_copy_of_an_embedded_packet_gets_its_settings_back() -> None:
    embedded = attributes('crs:Temperature="5500" o:a="1"')
    written = from_embedded(embedded, Change(temperature_k=5200))
    current = written.replace(b'o:a="1"', b'o:a="2"')
    assert restore_fields(current, embedded, written) == embedded.replace(b'o:a="1"', b'o:a="2"')


def test_declarations_that_we_added_go_when_nothing_uses_them() -> None:
    data = rdf('\n <rdf:Description rdf:about="" xmlns:o="o:" o:a="1"/>')
    written = apply_change(data, CHANGE)
    # changes in the midst of ours, so that only the way by fields is left
    current = written.replace(b'o:a="1"', b'o:a="2"').replace(b"</rdf:Bag>", b" </rdf:Bag>").replace(b'"+7"', b"'+7'")
    assert restore_fields(current, data, written) == data.replace(b'o:a="1"', b'o:a="2"')


def test_a_declaration_that_others_use_stays() -> None:
    data = rdf('<rdf:Description rdf:about=""/>')
    written = apply_change(data, Change(exposure_ev=1))
    current = written.replace(b'"+1.00"', b'"+1.00" crs:Contrast="5"')
    back = restore_fields(current, data, written)
    assert back == rdf(f'<rdf:Description rdf:about="" xmlns:crs="{CRS}" crs:Contrast="5"/>')


@pytest.mark.parametrize(
    "subject",
    ["", "<dc:subject>text</dc:subject>", "<dc:subject><rdf:Bag><rdf:li>theirs</rdf:li></rdf:Bag></dc:subject>"],
)
def test_keywords_that_others_removed_are_not_missed(subject: str) -> None:
    data = attributes('o:a="1"')
    written = apply_change(data, Change(keyword="no face", tint=1))
    current = attributes('o:a="1" crs:Tint="+1" crs:WhiteBalance="Custom"', subject)
    assert restore_fields(current, data, written) == attributes('o:a="1"', subject)


def test_a_declaration_that_others_came_to_need_stays() -> None:
    """The byte merge would cut off their prefix; the way by fields does not."""
    data = rdf('<rdf:Description rdf:about=""><rdf:type rdf:resource="u"/></rdf:Description>')
    written = apply_change(data, Change(exposure_ev=1))
    theirs = b"</rdf:Description>", b"<crs:Contrast>5</crs:Contrast></rdf:Description>"
    seen = readers.triples(restore_fields(written.replace(*theirs), data, written))
    assert seen[CRS + "Contrast"] == ("text", "5", None)
    assert CRS + "Exposure2012" not in seen


def test_an_empty_list_of_before_stays_a_list() -> None:
    data = elements("<dc:subject><rdf:Bag/></dc:subject><o:a/>")
    written = apply_change(data, Change(keyword="no face"))
    current = written.replace(b"<o:a/>", b"<o:a/><o:b/>").replace(b"<rdf:li>", b"<rdf:li >")
    after = readers.triples(restore_fields(current, data, written))
    assert after[readers.DC + "subject"] == readers.triples(data)[readers.DC + "subject"]


IN_FORCE = Change(5200, 7, -0.25, in_force=True)


def test_what_put_our_numbers_in_force_goes_back_with_them() -> None:
    data = attributes('crs:HasSettings="False" xmp:Rating="1"')
    written = apply_change(data, IN_FORCE)
    # changed in the midst of ours as well, so that only the way by fields is left
    current = written.replace(b'Rating="1"', b'Rating="5"').replace(b'"+7"', b"'+7'")
    assert restore_fields(current, data, written) == data.replace(b'Rating="1"', b'Rating="5"')


def test_settings_that_others_made_since_stay_in_force() -> None:
    data = attributes('xmp:Rating="1"')
    written = apply_change(data, IN_FORCE)
    current = written.replace(b'Rating="1"', b'Rating="1" crs:Dehaze="+9"').replace(b'"+7"', b"'+7'")
    back = readers.triples(restore_fields(current, data, written))
    assert back[CRS + "HasSettings"] == ("text", "True", None)
    assert back[CRS + "ProcessVersion"] == ("text", "11.0", None)
    assert CRS + "Temperature" not in back


def test_a_malformed_packet_is_refused() -> None:
    data = attributes("")
    written = apply_change(data, Change(tint=1))
    with pytest.raises(SidecarMalformed):
        restore_fields(written[:-5], data, written)
