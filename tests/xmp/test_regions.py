"""Face regions of the two open schemas, and which way up they are."""

from __future__ import annotations

import numpy as np
import pytest

from tests.xmp.samples import elements
from xmpsync.records import Box
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.regions import FaceRegion, Regions, oriented, read_regions, turned, upright_box

MWG = (
    'xmlns:mwg-rs="http://www.metadataworkinggroup.com/schemas/regions/" '
    'xmlns:stArea="http://ns.adobe.com/xmp/sType/Area#" xmlns:stDim="http://ns.adobe.com/xap/1.0/sType/Dimensions#"'
)
PHOTO = (
    'xmlns:MP="http://ns.microsoft.com/photo/1.2/" xmlns:MPRI="http://ns.microsoft.com/photo/1.2/t/RegionInfo#" '
    'xmlns:MPReg="http://ns.microsoft.com/photo/1.2/t/Region#"'
)
DIMENSIONS = '<mwg-rs:AppliedToDimensions stDim:w="4288" stDim:h="2848" stDim:unit="pixel"/>'


def mwg(*regions: str, dimensions: str = DIMENSIONS) -> str:
    listed = "".join(f"<rdf:li>{region}</rdf:li>" for region in regions)
    return (
        f'<mwg-rs:Regions {MWG} rdf:parseType="Resource">{dimensions}<mwg-rs:RegionList><rdf:Bag>{listed}</rdf:Bag>'
        "</mwg-rs:RegionList></mwg-rs:Regions>"
    )


def region(area: str, attributes: str = 'mwg-rs:Type="Face" mwg-rs:Name="John Doe"') -> str:
    return f"<rdf:Description {attributes}><mwg-rs:Area {area}/></rdf:Description>"


def photo(*regions: str) -> str:
    listed = "".join(f"<rdf:li {region}/>" for region in regions)
    return (
        f'<MP:RegionInfo {PHOTO} rdf:parseType="Resource"><MPRI:Regions><rdf:Bag>{listed}</rdf:Bag></MPRI:Regions>'
        "</MP:RegionInfo>"
    )


def read(inner: str) -> Regions:
    return read_regions(Packet.parse(elements(inner)))


def close(box: Box, left: float, top: float, width: float, height: float) -> bool:
    return bool(np.allclose((box.left, box.top, box.width, box.height), (left, top, width, height), atol=1e-12))


AREA = 'stArea:x="0.5" stArea:y="0.5" stArea:w="0.06" stArea:h="0.09" stArea:unit="normalized"'


def test_the_example_of_the_guidelines() -> None:
    """MWG guidelines 2.0, 5.9 (values recalled from memory): a face 0.06 x 0.09 centred in 4288 x 2848 pixels, a focus
    point and a bar code, which are no faces."""
    found = read(
        mwg(
            region(AREA),
            region('stArea:x="0.5" stArea:y="0.5" stArea:unit="normalized"', 'mwg-rs:Type="Focus"'),
            region(AREA, 'mwg-rs:Type="BarCode"'),
        )
    )
    assert found.applied_to == (4288, 2848)
    (face,) = found.faces
    assert (face.name, face.kind) == ("John Doe", "Face")
    assert close(face.box, 0.47, 0.455, 0.06, 0.09)
    assert found.notes == ()


def test_regions_as_parse_type_resource_and_without_name() -> None:
    item = f'<rdf:li rdf:parseType="Resource"><mwg-rs:Type>Face</mwg-rs:Type><mwg-rs:Area {AREA}/></rdf:li>'
    text = mwg("").replace("<rdf:li></rdf:li>", item)
    (face,) = read(text).faces
    assert face.name is None


def test_a_circle_is_normalised_by_the_smaller_side() -> None:
    """MWG guidelines 2.0, 5.9 (from memory)."""
    (face,) = read(mwg(region('stArea:x="0.5" stArea:y="0.5" stArea:d="0.5" stArea:unit="normalized"'))).faces
    width = 0.5 * 2848 / 4288
    assert close(face.box, 0.5 - width / 2, 0.25, width, 0.5)


def test_a_circle_without_dimensions_is_rough_and_says_so() -> None:
    found = read(mwg(region('stArea:x="0.5" stArea:y="0.5" stArea:d="0.5"'), dimensions=""))
    assert close(found.faces[0].box, 0.25, 0.25, 0.5, 0.5)
    assert "rough" in found.notes[0]


def test_pixels_are_divided_by_the_dimensions() -> None:
    area = 'stArea:x="2144" stArea:y="1424" stArea:w="428.8" stArea:h="284.8" stArea:unit="pixel"'
    assert close(read(mwg(region(area))).faces[0].box, 0.45, 0.45, 0.1, 0.1)
    circle = 'stArea:x="2144" stArea:y="1424" stArea:d="284.8" stArea:unit="pixel"'
    width = 284.8 / 4288
    assert close(read(mwg(region(circle))).faces[0].box, 0.5 - width / 2, 0.45, width, 0.1)
    assert "pixels" in read(mwg(region(area), dimensions="")).notes[0]


BROKEN = {
    "no area": ("", "no Area"),
    "no type": (region(AREA, 'mwg-rs:Name="a"'), "no Type"),
    "no centre": (region('stArea:y="0.5" stArea:w="0.1" stArea:h="0.1"'), "no x"),
    "no size": (region('stArea:x="0.5" stArea:y="0.5" stArea:w="0.1"'), "no h"),
    "no number": (region('stArea:x="NaN" stArea:y="0.5" stArea:w="0.1" stArea:h="0.1"'), "no number"),
    "no height": (region('stArea:x="0.5" stArea:y="0.5" stArea:w="0.1" stArea:h="0"'), "size"),
    "too large": (region('stArea:x="0.5" stArea:y="0.5" stArea:w="1.1" stArea:h="0.5"'), "size"),
    "outside": (region('stArea:x="1.5" stArea:y="0.5" stArea:w="0.1" stArea:h="0.1"'), "outside"),
    "an odd unit": (region(AREA.replace("normalized", "inch")), "inch"),
}


@pytest.mark.parametrize("what", BROKEN)
def test_a_broken_region_is_left_out_with_a_note(what: str) -> None:
    text, word = BROKEN[what]
    if what == "no area":
        text = '<rdf:Description mwg-rs:Type="Face" mwg-rs:Name="a"/>'
    found = read(mwg(text, region(AREA)))
    assert len(found.faces) == 1
    (note,) = found.notes
    assert note.startswith("Region 1 is left out: ")
    assert word in note


@pytest.mark.parametrize("dimensions", ['stDim:w="4288"', 'stDim:w="0" stDim:h="1"', 'stDim:w="x" stDim:h="1"'])
def test_broken_dimensions_are_left_out_with_a_note(dimensions: str) -> None:
    found = read(mwg(region(AREA), dimensions=f"<mwg-rs:AppliedToDimensions {dimensions}/>"))
    assert found.applied_to is None
    assert len(found.faces) == 1
    assert "AppliedToDimensions is not used" in found.notes[0]


def test_rectangles_start_at_the_left_top() -> None:
    found = read(photo('MPReg:Rectangle="0.25, 0.5, 0.125, 0.25" MPReg:PersonDisplayName="Ana"'))
    (face,) = found.faces
    assert face == FaceRegion("Ana", Box(0.25, 0.5, 0.125, 0.25), "Face")
    assert found.applied_to is None


@pytest.mark.parametrize("rectangle", ["0,0,0.1", "0,0,0.1,0.1,0.1", "0,0,a,0.1", "", "0,0,0,0"])
def test_a_broken_rectangle_is_left_out_with_a_note(rectangle: str) -> None:
    found = read(photo(f'MPReg:Rectangle="{rectangle}"', 'MPReg:Rectangle="0,0,.1,.1"'))
    assert len(found.faces) == 1
    assert found.notes[0].startswith("Photo region 1 is left out: ")
    assert "no Rectangle" in read(photo('MPReg:PersonDisplayName="a"')).notes[0]


def test_a_face_in_both_schemas_is_one_and_a_missing_name_is_taken_over() -> None:
    same = 'MPReg:Rectangle="0.47,0.455,0.06,0.09" MPReg:PersonDisplayName="Ana"'
    other = 'MPReg:Rectangle="0.1,0.1,0.06,0.09" MPReg:PersonDisplayName="Bo"'
    named = read(mwg(region(AREA)) + photo(same, other))
    assert [face.name for face in named.faces] == ["John Doe", "Bo"]
    unnamed = read(mwg(region(AREA, 'mwg-rs:Type="Face"')) + photo(other, same))
    assert [face.name for face in unnamed.faces] == ["Ana", "Bo"]


def test_a_packet_without_regions_has_none() -> None:
    assert read("") == Regions(None, ())
    assert read(f"<mwg-rs:Regions {MWG}>text</mwg-rs:Regions>") == Regions(None, ())


# which way up


@pytest.mark.parametrize("orientation", range(1, 9))
def test_boxes_turn_as_pixels_do(orientation: int) -> None:
    """Exif 2.3, tag 0112, written as array operations: what row 0 and column 0 of the stored picture are."""
    stored = np.zeros((40, 60), dtype=int)
    box = Box(0.1, 0.2, 0.3, 0.15)  # columns 6..24, rows 8..14
    stored[8:14, 6:24] = 1
    upright = {
        1: stored, 2: stored[:, ::-1], 3: stored[::-1, ::-1], 4: stored[::-1], 5: stored.T,
        6: np.rot90(stored, -1), 7: stored[::-1, ::-1].T, 8: np.rot90(stored),
    }[orientation]  # fmt: skip
    rows, columns = np.nonzero(upright)
    height, width = upright.shape
    expected = (
        columns.min() / width,
        rows.min() / height,
        (columns.max() + 1 - columns.min()) / width,
        (rows.max() + 1 - rows.min()) / height,
    )
    assert close(upright_box(box, orientation), *expected)


FACE = FaceRegion(None, Box(0.1, 0.2, 0.3, 0.15), "Face")


def test_regions_of_the_stored_picture_are_turned() -> None:
    found = oriented(Regions((6000, 4000), (FACE,)), 6, (6048, 4024))
    assert found.applied_to == (4000, 6000)
    assert found.faces[0].box == upright_box(FACE.box, 6)
    assert found.sure


def test_regions_of_the_upright_picture_stay() -> None:
    regions = Regions((4000, 6000), (FACE,))
    assert oriented(regions, 8, (6000, 4000)) == regions


def test_nothing_to_decide_where_stored_is_upright() -> None:
    for applied_to in (None, (3000, 2000)):
        regions = Regions(applied_to, (FACE,))
        assert oriented(regions, 1, (6000, 4000)) == regions
        assert oriented(regions, 0, (6000, 4000)) == regions


@pytest.mark.parametrize(("applied_to", "orientation"), [((6000, 4000), 3), ((4000, 4000), 6), (None, 6)])
def test_regions_that_do_not_tell_are_not_sure(applied_to: tuple[float, float] | None, orientation: int) -> None:
    size = (4000, 4000) if applied_to == (4000, 4000) else (6000, 4000)
    found = oriented(Regions(applied_to, (FACE,)), orientation, size)
    assert found.faces == (FACE,)
    assert not found.sure
    assert turned(found, orientation).faces[0].box == upright_box(FACE.box, orientation)


def test_regions_of_another_crop_are_stale() -> None:
    """MWG guidelines 2.0, 5.9: cropping may make regions stale."""
    found = oriented(Regions((4000, 4000), (FACE,)), 1, (6000, 4000))
    assert not found.sure
    assert "another crop" in found.notes[0]
    assert not oriented(Regions((4000, 4000), (FACE,)), 1, (0, 0)).sure
