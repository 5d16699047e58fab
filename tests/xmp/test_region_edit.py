"""Face regions with names: written after the Metadata Working Group's guidelines, read by others, taken back."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.xmp import readers
from tests.xmp.samples import attributes, elements
from tests.xmp.test_corpus import EDITABLE, ids
from tests.xmp.test_regions import AREA, MWG, mwg, photo, region
from xmpsync.errors import SidecarMalformed
from xmpsync.records import Box
from xmpsync.xmp.edit import Change, apply_change, from_embedded, new_sidecar, restore_fields
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.region_edit import FaceNames, NamedFace
from xmpsync.xmp.regions import oriented, read_regions, turned

ADA = NamedFace("Ada & <Co>", Box(0.2, 0.3, 0.1, 0.15))
BEN = NamedFace("Ben", Box(0.6, 0.25, 0.12, 0.2))
WANTED = FaceNames((ADA, BEN), (4288, 2848), 1)
ONLY_NAMES = Change(names=WANTED)
BOTH = Change(temperature_k=5200, tint=7, exposure_ev=0.35, in_force=True, keyword="look", names=WANTED)
PLAIN = attributes('crs:Temperature="5000"')


def names_of(data: bytes) -> list[str | None]:
    return [face.name for face in read_regions(Packet.parse(data)).faces]


@pytest.mark.parametrize("data", [PLAIN, elements(""), elements("<xmp:Rating>3</xmp:Rating>"), new_sidecar(Change())])
@pytest.mark.parametrize("change", [ONLY_NAMES, BOTH])
def test_faces_are_written_with_names_and_the_size_they_are_meant_for(data: bytes, change: Change) -> None:
    after = apply_change(data, change)
    found = read_regions(Packet.parse(after))
    assert found.applied_to == (4288, 2848) and found.notes == ()
    for face, wanted in zip(found.faces, WANTED.faces, strict=True):
        assert face.name == wanted.name and face.kind == "Face"
        got, box = face.box, wanted.box
        assert (got.left, got.top, got.width, got.height) == pytest.approx(
            (box.left, box.top, box.width, box.height), abs=1e-5  # five digits
        )  # fmt: skip
    assert apply_change(after, change) == after
    assert restore_fields(after, data, after) == data


@pytest.mark.parametrize("orientation", range(1, 9))
def test_sizes_are_those_of_the_upright_picture_and_read_back_upright(orientation: int) -> None:
    after = apply_change(PLAIN, Change(names=replace(WANTED, orientation=orientation)))
    found = read_regions(Packet.parse(after))
    assert found.applied_to == ((4288, 2848) if orientation < 5 else (2848, 4288))
    upright = oriented(found, orientation, (4288, 2848))
    assert [face.box.left for face in upright.faces] == pytest.approx([0.2, 0.6], abs=1e-5)


@pytest.mark.system("exiv2")
def test_exiv2_reads_the_regions_at_their_centres(tmp_path: Path) -> None:
    seen = readers.exiv2(apply_change(new_sidecar(Change(temperature_k=5200)), BOTH), tmp_path)
    start = "Xmp.mwg-rs.Regions/mwg-rs:"
    first = f"{start}RegionList[1]/mwg-rs:"
    assert seen[f"{start}AppliedToDimensions/stDim:w"] == "4288"
    assert seen[f"{start}AppliedToDimensions/stDim:unit"] == "pixel"
    assert (seen[f"{first}Name"], seen[f"{first}Type"]) == ("Ada & <Co>", "Face")
    area = [float(seen[f"{first}Area/stArea:{side}"]) for side in "xywh"]
    assert area == pytest.approx((0.25, 0.375, 0.1, 0.15), abs=1e-5)
    assert seen[f"{first}Area/stArea:unit"] == "normalized"
    assert seen["Xmp.mwg-rs.Regions/mwg-rs:RegionList[2]/mwg-rs:Name"] == "Ben"


@pytest.mark.system("libexempi")
def test_exempi_reads_the_names_and_nothing_else_has_changed() -> None:
    data = new_sidecar(Change(temperature_k=5200))
    before, after = readers.exempi(data), readers.exempi(apply_change(data, ONLY_NAMES))
    added = {key: value for key, value in after.items() if key not in before}
    assert {key: after[key] for key in before} == before
    assert all("regions/" in key and ":Regions/" in key for key in added)
    assert [value for key, value in sorted(added.items()) if key.endswith(":Name")] == ["Ada & <Co>", "Ben"]


UNNAMED = 'mwg-rs:Type="Face"'
ON_ADA = 'stArea:x="0.25" stArea:y="0.37" stArea:w="0.09" stArea:h="0.13" stArea:unit="normalized"'
FOCUS = region(AREA, 'mwg-rs:Type="Focus"')


@pytest.mark.parametrize(
    "there",
    [
        region(ON_ADA, UNNAMED),
        region(ON_ADA, f'{UNNAMED} mwg-rs:Name=""'),
        f"<rdf:Description><mwg-rs:Type>Face</mwg-rs:Type><mwg-rs:Area {ON_ADA}/></rdf:Description>",
    ],
)
def test_a_region_without_a_name_gets_it_and_the_others_stay(there: str) -> None:
    data = elements(mwg(FOCUS, there, region(AREA, 'mwg-rs:Type="Face" mwg-rs:Name="Cleo"')))
    after = apply_change(data, BOTH)
    assert names_of(after) == ["Ada & <Co>", "Cleo", "Ben"]
    assert after.count(b"<mwg-rs:RegionList>") == 1 and b'"Focus"' in after
    assert restore_fields(after, data, after) == data


@pytest.mark.parametrize(
    "there",
    [
        mwg(region(ON_ADA, 'mwg-rs:Type="Face" mwg-rs:Name="Dora"')),
        mwg(region(AREA, 'mwg-rs:Type="Face" mwg-rs:Name="Ada &amp; &lt;Co&gt;"')),
        photo('MPReg:Rectangle="0.2, 0.3, 0.1, 0.15" MPReg:PersonDisplayName="Dora"'),
    ],
)
def test_a_name_that_is_there_is_not_contradicted_nor_put_twice(there: str) -> None:
    data = elements(there)
    before, after = names_of(data), names_of(apply_change(data, ONLY_NAMES))
    assert sorted(filter(None, after)) == sorted([*filter(None, before), "Ben"])


@pytest.mark.parametrize(
    "dimensions",
    ["", '<mwg-rs:AppliedToDimensions stDim:w="900" stDim:h="900" stDim:unit="pixel"/>'],
    ids=["no size", "another crop"],
)
def test_beside_regions_that_cannot_be_placed_nothing_is_written(dimensions: str) -> None:
    data = elements(mwg(region(AREA), dimensions=dimensions))
    assert apply_change(data, ONLY_NAMES) == data
    assert apply_change(elements(f'<mwg-rs:Regions {MWG} rdf:parseType="Resource"/>'), ONLY_NAMES).count(b"Ben") == 0


@pytest.mark.parametrize("orientation", [5, 6, 7, 8])
def test_beside_regions_of_the_stored_picture_new_ones_follow_it_too(orientation: int) -> None:
    """AppliedToDimensions tells which picture all regions of a list belong to: there is one for the list."""
    data = elements(mwg(region(AREA, 'mwg-rs:Type="Face" mwg-rs:Name="Cleo"')))
    wanted = FaceNames((BEN,), (4288, 2848), orientation)
    found = read_regions(Packet.parse(apply_change(data, Change(names=wanted))))
    assert found.applied_to == (4288, 2848)
    ben = turned(found, orientation).faces[1]
    assert (ben.name, ben.box.left, ben.box.top) == ("Ben", pytest.approx(0.6, abs=1e-5), pytest.approx(0.25, abs=1e-5))


def test_boxes_are_cut_at_the_border_and_faces_outside_left_out() -> None:
    faces = (
        NamedFace("Ada", Box(-0.1, 0.9, 0.3, 0.3)),
        NamedFace("Ben", Box(1.1, 0.2, 0.1, 0.1)),
        NamedFace(" ", ADA.box),
    )
    (face,) = read_regions(Packet.parse(apply_change(PLAIN, Change(names=FaceNames(faces, (600, 400), 1))))).faces
    assert (face.name, face.box.left, face.box.top) == ("Ada", pytest.approx(0, abs=1e-5), pytest.approx(0.9, abs=1e-5))
    assert (face.box.width, face.box.height) == pytest.approx((0.2, 0.1), abs=2e-5)


def rewritten(data: bytes) -> bytes:
    """As another program saves it: a rating, a new date and other white space."""
    return data.replace(b'rdf:about=""', b'rdf:about="" xmp:Rating="5"').replace(
        b"</rdf:Description>", b"\n</rdf:Description>"
    )


@pytest.mark.parametrize("there", ["", mwg(FOCUS, region(ON_ADA, UNNAMED))])
def test_after_others_have_saved_our_names_go_and_theirs_stay(there: str) -> None:
    data = elements(there)
    written = apply_change(data, BOTH)
    now = rewritten(written).replace(b"<rdf:Bag>", b"<rdf:Bag>\n ")
    back = restore_fields(now, data, written)
    assert read_regions(Packet.parse(back)).faces == read_regions(Packet.parse(data)).faces
    assert b"Ben" not in back and b"Ada" not in back and b'xmp:Rating="5"' in back
    assert (b"mwg-rs" in back) is bool(there)


def test_a_region_that_somebody_changed_since_stays() -> None:
    written = apply_change(PLAIN, BOTH)
    now = rewritten(written).replace(b'Name="Ben"', b'Name="Benjamin"')
    assert names_of(restore_fields(now, PLAIN, written)) == ["Benjamin"]


@pytest.mark.parametrize("path", EDITABLE, ids=ids)
def test_every_editable_packet_of_the_corpus_takes_names_and_gives_them_back(path: Path) -> None:
    data = path.read_bytes()
    try:
        after = apply_change(data, ONLY_NAMES)
    except SidecarMalformed:
        pytest.fail("a packet that takes numbers takes names")
    if after != data:
        assert {"Ada & <Co>", "Ben"} <= {*names_of(after), "Ada & <Co>"}
        triples_before, triples_after = readers.triples(data), readers.triples(after)
        regions = "http://www.metadataworkinggroup.com/schemas/regions/Regions"
        assert {k: v for k, v in triples_after.items() if k != regions} == {
            k: v for k, v in triples_before.items() if k != regions
        }
    assert restore_fields(after, data, after) == data


def test_a_copy_of_an_embedded_packet_takes_names() -> None:
    assert names_of(from_embedded(PLAIN + bytes(20), BOTH)) == ["Ada & <Co>", "Ben"]
