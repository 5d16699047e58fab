"""Byte truth over the hand-made packets: 38 valid, 31 odd, 27 malformed.

The verdicts come from the XMP specification, part 1 (ISO 16684-1); the clause stands beside each.
"""

from __future__ import annotations

import builtins
import re
import socket
from pathlib import Path
from typing import Any

import pytest

from tests.xmp import readers
from xmpsync.errors import SidecarMalformed
from xmpsync.xmp.edit import Change, apply_change, our_fields, restore_fields
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.settings import read_settings

FOLDER = Path(__file__).parent / "packets"
CHANGE = Change(temperature_k=4321, tint=-7, exposure_ev=0.35, keyword="mixed light & more")

# odd packets that are handled: what is read from them (temperature, tint, exposure)
HANDLED: dict[str, tuple[float | None, float | None, float | None]] = {
    "hm_about_mixed.xmp": (5500, 10, None),  # 7.4: an empty rdf:about beside a name is tolerated
    "hm_comment_in_value.xmp": (5500, 10, 0.5),  # 7.2: comments are allowed
    "hm_two_cdata.xmp": (5500, 10, 0.5),  # 7.5
    "hm_empty_element.xmp": (None, None, None),  # 8.2.1: an empty text is no number
    "hm_num_01.xmp": (None, None, None),  # 8.2.1: 5500.5 is no Integer; as an exposure it is out of range
    "hm_num_03.xmp": (None, None, None),  # NaN
    "hm_num_05.xmp": (None, None, None),  # a space inside
    "hm_num_07.xmp": (None, None, None),  # full-width digits
    "hm_num_09.xmp": (None, None, None),  # hexadecimal
    "hm_num_11.xmp": (None, None, None),  # a minus sign that is not ASCII
    "hm_num_13.xmp": (None, -1, -1),  # legal, but -1 K is out of range
    "hm_num_15.xmp": (None, None, None),  # 7.2: white space belongs to the value
    "hm_utf16le_nobom.xmp": (5500, 10, 0.5),  # 7.1: the mark is optional
    "hm_utf32le_nobom.xmp": (5500, 10, 0.5),
    "hm_wrong_ns_noslash.xmp": (None, None, None),  # 6.2: another namespace, so absent
    "hm_wrong_case.xmp": (None, 10, 0.5),  # 6.2: another name
    "hm_stylesheet_pi.xmp": (5500, 10, 0.5),  # 7.2: processing instructions are allowed, and never followed
    "hm_upper_ext.XMP": (5500, 10, 0.5),
}
# odd packets that are refused, with (line, column)
REFUSED = {
    "hm_dup_two_desc_diff.xmp": (11, 4),  # 6.1: a name is unique
    "hm_dup_elements.xmp": (8, 4),
    "hm_about_unqualified.xmp": (4, 20),  # 6.2: a name has a namespace
    "hm_rdf_nodeid.xmp": (4, 20),  # C.2
    "hm_parsetype_collection.xmp": (7, 21),  # 7.9.2.5
    "hm_uri_value.xmp": (7, 4),  # part 2, 3.3: an Integer, no URI
    "hm_struct_value.xmp": (7, 4),
    "hm_top_typed_node.xmp": (15, 3),  # 7.4: only rdf:Description
    "hm_doctype_internal_attr_default.xmp": (2, 1),  # would give an attribute that is not there
    "hm_xml11.xmp": (1, 1),
    "hm_decl_latin1_real.xmp": (18, 17),  # 7.1: Unicode only
    "hm_nesting_1000.xmp": (7, 4129),  # our bound
    "hm_ns_uri_space.xmp": (6, 62),  # the two XML readers disagree; refused when written to
}


def packets(folder: str) -> list[Path]:
    return sorted((FOLDER / folder).glob("hm_*"))


def ids(path: Path) -> str:
    return path.name


def test_the_corpus_is_complete() -> None:
    assert [len(packets(folder)) for folder in ("valid", "odd", "malformed")] == [38, 31, 27]
    assert {path.name for path in packets("odd")} == HANDLED.keys() | REFUSED.keys()


EDITABLE = packets("valid") + [path for path in packets("odd") if path.name in HANDLED]


@pytest.mark.parametrize("path", EDITABLE, ids=ids)
def test_no_edit_gives_the_same_bytes(path: Path) -> None:
    data = path.read_bytes()
    assert apply_change(data, Change()) == data


@pytest.mark.parametrize("path", EDITABLE, ids=ids)
def test_an_edit_changes_the_asked_for_triples_and_nothing_else(path: Path) -> None:
    """Second reader: rdflib on the rdf:RDF element that lxml finds."""
    data = path.read_bytes()
    before, after = readers.triples(data), readers.triples(apply_change(data, CHANGE))
    exposure = "Exposure" if readers.CRS + "Exposure" in before else "Exposure2012"
    wanted = {"Temperature": "4321", "Tint": "-7", "WhiteBalance": "Custom", exposure: "+0.35"}
    expected = dict(before)
    for local, text in wanted.items():
        expected[readers.CRS + local] = readers.with_text(before.get(readers.CRS + local), text)
    subject = readers.DC + "subject"
    expected[subject] = readers.with_item(before.get(subject), "mixed light & more")
    assert after == expected


ONE_PLACE = {
    "exposure": (Change(exposure_ev=0.37), b"+0.37"),
    "date": (Change(metadata_date="2026-05-01"), b"2026-05-01"),
    "keyword": (Change(keyword="solitary"), b"solitary"),
}
DECLARATION = re.compile(rb"\s+xmlns:(?:crs2?|xmp|dc)=(?:\"[^\"]*\"|'[^']*')")
OLD_EXPOSURES = {
    b"",
    b"+0.50",
    b"+0&#46;50",
    b".500000",
    b"5500.5",
    b"NaN",
    b"5 500",
    b"0x157C",
    b"-1",
    b"5500&#10;",
    b"/",
}
OLD_EXPOSURES |= {"５５００".encode(), "−500".encode(), b" "}


@pytest.mark.parametrize("what", ONE_PLACE)
@pytest.mark.parametrize("path", EDITABLE, ids=ids)
def test_an_edit_of_one_place_leaves_every_byte_before_and_after_it(path: Path, what: str) -> None:
    change, new_text = ONE_PLACE[what]
    old, new = (readers.as_utf8(d) for d in (path.read_bytes(), apply_change(path.read_bytes(), change)))
    declared = [m for m in DECLARATION.finditer(new) if old.count(m[0]) < new.count(m[0])]
    if declared and what != "keyword":
        assert len(declared) == 1  # the namespace was not bound there; that is the second place
        new = new[: declared[0].start()] + new[declared[0].end() :]
    # all digits of the new value count as new, whatever they share with the old one
    start = new.index(new_text)
    head = next(n for n in range(start, -1, -1) if old[:n] == new[:n])
    rest = new[start + len(new_text) :]
    tail = next(n for n in range(min(len(rest), len(old) - head), -1, -1) if n == 0 or old[-n:] == rest[-n:])
    gone = old[head : len(old) - tail]
    assert gone in OLD_EXPOSURES
    if gone not in (b"", b"/"):
        assert new == old[:head] + new_text + old[len(old) - tail :]
    if what != "keyword":
        # the keyword may bring elements; anything else brings an attribute, an element, and at most a declaration
        assert new[head : len(new) - tail].count(new_text) == 1
        assert len(new) - len(old) < 140


@pytest.mark.parametrize("path", EDITABLE, ids=ids)
def test_edit_and_undo_give_the_original_bytes(path: Path) -> None:
    data = path.read_bytes()
    written = apply_change(data, CHANGE)
    assert written != data
    assert restore_fields(written, data, written) == data


@pytest.mark.parametrize("path", EDITABLE, ids=ids)
def test_the_edit_is_read_back_by_ourselves(path: Path) -> None:
    written = apply_change(path.read_bytes(), CHANGE)
    settings = read_settings(Packet.parse(written))
    assert (settings.temperature_k, settings.tint, settings.exposure_ev) == (4321, -7, 0.35)
    assert settings.white_balance == "Custom"
    assert settings.keywords[-1] == "mixed light & more"
    assert our_fields(written).temperature == "4321"
    assert apply_change(written, CHANGE) == written


@pytest.mark.parametrize("path", [p for p in packets("odd") if p.name in HANDLED], ids=ids)
def test_odd_packets_are_read_exactly(path: Path) -> None:
    settings = read_settings(Packet.parse(path.read_bytes()))
    assert (settings.temperature_k, settings.tint, settings.exposure_ev) == HANDLED[path.name]


@pytest.mark.parametrize("path", [p for p in packets("odd") if p.name in REFUSED], ids=ids)
def test_odd_packets_are_refused_with_their_place(path: Path) -> None:
    with pytest.raises(SidecarMalformed) as caught:
        apply_change(path.read_bytes(), CHANGE)
    assert (caught.value.line, caught.value.column) == REFUSED[path.name]


WITHOUT_PLACE = {"hm_only_bom.xmp"}  # nothing in it


@pytest.mark.parametrize("path", packets("malformed"), ids=ids)
def test_malformed_packets_are_refused_and_nothing_is_opened(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = path.read_bytes()

    def forbidden(*_args: Any, **_kwargs: Any) -> Any:
        raise AssertionError("something was opened")

    monkeypatch.setattr(socket, "socket", forbidden)
    monkeypatch.setattr(builtins, "open", forbidden)
    with pytest.raises(SidecarMalformed) as caught:
        apply_change(data, CHANGE)
    monkeypatch.undo()
    assert path.name in WITHOUT_PLACE or (caught.value.line or 0) >= 1
    assert path.name in WITHOUT_PLACE or (caught.value.column or 0) >= 1
    assert "Nothing was written." in str(caught.value)


VALUES = {
    "hm_crs_prefix_taken.xmp": (None, None, None),
    "hm_empty_description.xmp": (None, None, None),
    "hm_incremental.xmp": (None, None, 0.5),
    "hm_nested_only.xmp": (None, 10, None),
    "hm_no_crs_crlf_apos.xmp": (None, None, None),
    "hm_no_crs_ns_declared.xmp": (None, None, None),
    "hm_no_crs_ns_undeclared.xmp": (None, None, None),
}


@pytest.mark.parametrize("path", packets("valid"), ids=ids)
def test_valid_packets_are_read_exactly(path: Path) -> None:
    settings = read_settings(Packet.parse(path.read_bytes()))
    expected = VALUES.get(path.name, (5500, 10, 0.5))
    assert (settings.temperature_k, settings.tint, settings.exposure_ev) == expected
    assert settings.unreadable == ()
