"""What is remembered of sidecars: the same reading again, or none."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from xmpsync.errors import SidecarMalformed
from xmpsync.store.sidecars import from_record, read, to_record
from xmpsync.xmp.settings import SETTINGS_VERSION

PACKETS = sorted((Path(__file__).parents[1] / "xmp" / "packets").glob("[vo]*/*.xmp"))
TEXT = b"""<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:crs="http://ns.adobe.com/camera-raw-settings/1.0/"
 xmlns:mwg-rs="http://www.metadataworkinggroup.com/schemas/regions/" xmlns:stArea="http://ns.adobe.com/xmp/sType/Area#"
 crs:Temperature="5200" crs:Tint="+4" crs:WhiteBalance="Custom" crs:Exposure2012="+0.30" crs:ProcessVersion="11.0"
 crs:Contrast2012="+12"><crs:ToneCurvePV2012><rdf:Seq><rdf:li>0, 0</rdf:li><rdf:li>99, 140</rdf:li></rdf:Seq>
</crs:ToneCurvePV2012><mwg-rs:Regions rdf:parseType="Resource"><mwg-rs:RegionList><rdf:Bag><rdf:li>
<rdf:Description mwg-rs:Name="Ada" mwg-rs:Type="Face"><mwg-rs:Area stArea:x="0.5" stArea:y="0.5" stArea:w="0.1"
 stArea:h="0.2" stArea:unit="normalized"/></rdf:Description></rdf:li></rdf:Bag></mwg-rs:RegionList></mwg-rs:Regions>
</rdf:Description></rdf:RDF></x:xmpmeta>"""


@pytest.mark.parametrize("path", PACKETS, ids=lambda p: p.stem)
def test_a_reading_comes_back_as_it_was(path: Path) -> None:
    try:
        reading = read(path.read_bytes())
    except SidecarMalformed:
        return
    again = from_record(to_record(reading))
    assert again == reading
    assert again is not None and again.settings.look == reading.settings.look  # `==` of settings leaves it out


def test_lists_of_a_look_come_back_equal_too() -> None:
    reading = read(TEXT)
    again = from_record(to_record(reading))
    assert again is not None and again.settings.look == reading.settings.look
    assert again.settings.look.held["ToneCurvePV2012"] == ("0, 0", "99, 140")
    assert again.regions == reading.regions and again.regions.faces[0].name == "Ada"


@pytest.mark.parametrize(
    ("where", "value"),
    [
        (("temperature_k",), 1e300),
        (("tint",), "4"),
        (("exposure_ev",), -90.0),
        (("rating",), 77),
        (("exposure_field",), "Exposure1999"),
        (("look", "held"), [1]),
        (("look",), None),
    ],
)
def test_a_record_that_is_not_a_possible_reading_counts_as_none(where: tuple[str, ...], value: object) -> None:
    record = json.loads(to_record(read(TEXT)))
    place = record[0]
    for name in where[:-1]:
        place = place[name]
    assert where[-1] in place
    place[where[-1]] = value
    assert from_record(json.dumps(record).encode()) is None


@pytest.mark.parametrize("value", [-0.1, 0.0, 1e12])
def test_a_region_of_no_size_or_any_size_counts_as_none(value: float) -> None:
    record = json.loads(to_record(read(TEXT)))
    record[1]["faces"][0]["box"]["width"] = value
    assert from_record(json.dumps(record).encode()) is None


@pytest.mark.parametrize("record", [b"", b"[]", b"{", b"[" * 100_000, b"\xff\xfe", b" " * (2 << 20)])
def test_damaged_records_count_as_none(record: bytes) -> None:
    assert from_record(record) is None


def test_another_understanding_of_packets_is_another_version() -> None:
    """A regression number of our own: when this fails, raise `SETTINGS_VERSION`, then put the new digest here."""
    digest = hashlib.sha256(to_record(read(TEXT))).hexdigest()
    assert (SETTINGS_VERSION, digest[:16]) == (1, "d3582595e9277cdd")
