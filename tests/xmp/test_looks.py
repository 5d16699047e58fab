"""Other settings that move skin. Names and defaults: XMP part 2, 3.3 where published; the others are those that
metadata libraries list as found in files, partly from memory (no outside table of defaults exists)."""

from __future__ import annotations

import pytest

from tests.xmp.samples import attributes
from xmpsync.xmp.looks import LOOK_TABLE, PLAIN, LookDifference, Process, difference, read_look, word_of
from xmpsync.xmp.packet import Packet


def look_of(held: str, inner: str = "", version: str = 'crs:ProcessVersion="11.0"'):  # type: ignore[no-untyped-def]
    return read_look(Packet.parse(attributes(f"{version} {held}", inner)))


def seq(name: str, *items: str) -> str:
    return f"<crs:{name}><rdf:Seq>{''.join(f'<rdf:li>{item}</rdf:li>' for item in items)}</rdf:Seq></crs:{name}>"


# one setting each, as the contract lists them
MOVES_SKIN = {
    'crs:Contrast2012="+20"': "contrast",
    'crs:Highlights2012="-40"': "highlights",
    'crs:Shadows2012="+15"': "shadows",
    'crs:Whites2012="+5"': "whites",
    'crs:Blacks2012="-5"': "blacks",
    'crs:Clarity2012="+10"': "clarity",
    'crs:Dehaze="+9"': "dehaze",
    'crs:AutoContrast="True"': "automatic tone",
    'crs:ParametricDarks="+10"': "curve",
    'crs:Saturation="-12"': "saturation",
    'crs:Vibrance="+12"': "vibrance",
    'crs:HueAdjustmentOrange="-4"': "orange hue",
    'crs:SaturationAdjustmentRed="-4"': "red saturation",
    'crs:LuminanceAdjustmentOrange="+4"': "orange luminance",
    'crs:SplitToningHighlightSaturation="8"': "grading",
    'crs:ColorGradeMidtoneSat="8"': "grading",
    'crs:ColorGradeGlobalLum="-3"': "grading",
    'crs:RedHue="+5"': "calibration",
    'crs:ShadowTint="-3"': "calibration",
    'crs:CameraProfile="Portrait"': "profile",
    'crs:LookName="Warm"': "look",
    'crs:ConvertToGrayscale="True"': "black and white",
    'crs:HDREditMode="1"': "high dynamic range",
}


@pytest.mark.parametrize("held", MOVES_SKIN)
def test_a_setting_that_differs_is_named_both_ways_and_alike_ones_are_not(held: str) -> None:
    found, plain = look_of(held), look_of("")
    for one, other in ((found, plain), (plain, found)):
        differs = difference(one, other)
        assert [word_of(local) for local in differs.properties] == [MOVES_SKIN[held]]
        assert f"crs:{differs.properties[0]}=" in held
    assert not difference(found, look_of(held))


def test_the_table_covers_what_the_contract_lists() -> None:
    assert {word_of(local) for local in LOOK_TABLE} >= set(MOVES_SKIN.values())


DEFAULTS = [
    'crs:Contrast2012="0"',
    'crs:Dehaze="+0"',
    'crs:Saturation="0" crs:Vibrance="0"',
    'crs:ParametricMidtoneSplit="50"',
    'crs:ParametricMidtoneSplit="61"',  # of no effect while the curve's four parts are 0
    'crs:SplitToningShadowHue="210" crs:SplitToningBalance="+12"',  # of no effect without a saturation
    'crs:CameraProfile="Embedded"',
    'crs:LookName=""',
    'crs:ConvertToGrayscale="False"',
    'crs:HDREditMode="0" crs:HDRMaxValue="+2.30"',
    'crs:Sharpness="40" crs:LensProfileEnable="1" crs:CropTop="0.1"',  # does not move skin
    'crs:Contrast="+50" crs:Brightness="+60"',  # of the older process: unused by this one
]


@pytest.mark.parametrize("held", DEFAULTS)
def test_absent_equals_default(held: str) -> None:
    assert not difference(look_of(held), look_of(""))


def test_curves_compare_by_their_points() -> None:
    linear = look_of("", seq("ToneCurvePV2012", "0, 0", "255, 255"))
    assert not difference(linear, look_of(""))
    bent, spelled = (look_of("", seq("ToneCurvePV2012", "0, 0", m, "255, 255")) for m in ("64, 56", "64,56"))
    assert difference(bent, linear).properties == ("ToneCurvePV2012",)
    assert not difference(bent, spelled)


def test_an_older_process_is_named_beside_a_newer_one_and_its_own_defaults_count() -> None:
    older = look_of('crs:Contrast="+25" crs:Brightness="+50" crs:Shadows="5"', version='crs:ProcessVersion="5.7"')
    assert older.process is Process.OLDER
    assert [word_of(p) for p in difference(older, look_of("")).properties] == ["process"]
    assert not difference(older, look_of("", version='crs:ProcessVersion="5.0"'))
    darker = look_of('crs:Brightness="+20"', version='crs:ProcessVersion="5.7"')
    assert difference(darker, older).properties == ("Brightness",)


def test_no_packet_and_a_packet_with_only_our_fields_are_alike() -> None:
    ours = look_of('crs:Temperature="5200" crs:Tint="+7" crs:WhiteBalance="Custom" crs:Exposure2012="+0.35"')
    assert difference(ours, PLAIN) == LookDifference()


def look_structure(name: str, uuid: str = "", amount: str = "1", grey: str = "False") -> str:
    return (
        f'<crs:Look rdf:parseType="Resource"><crs:Name>{name}</crs:Name><crs:UUID>{uuid}</crs:UUID>'
        f"<crs:Amount>{amount}</crs:Amount>"
        f'<crs:Parameters rdf:parseType="Resource"><crs:ConvertToGrayscale>{grey}</crs:ConvertToGrayscale>'
        "</crs:Parameters></crs:Look>"
    )


def test_looks_compare_by_name_and_amount() -> None:
    warm = look_of("", look_structure("Warm", "1F"))
    assert not difference(warm, look_of("", look_structure("Warm", "2E")))
    assert difference(look_of("", look_structure("Warm", amount="0.5")), warm).properties == ("Look",)
    assert not difference(look_of("", look_structure("")), look_of(""))
    assert difference(look_of("", look_structure("", "1F")), look_of("")).properties == ("Look",)


@pytest.mark.parametrize(
    "grey", [look_of('crs:ConvertToGrayscale="True"'), look_of("", look_structure("Grey", grey="True"))]
)
def test_black_and_white_is_named_beside_a_colour_reference_only(grey) -> None:  # type: ignore[no-untyped-def]
    assert difference(grey, look_of("")).monochrome
    assert not difference(grey, grey).monochrome
    assert not difference(look_of(""), grey).monochrome


def correction(fields: str, name: str = "MaskGroupBasedCorrections") -> str:
    return f"<crs:{name}><rdf:Seq><rdf:li><rdf:Description {fields}/></rdf:li></rdf:Seq></crs:{name}>"


@pytest.mark.parametrize(
    "name", ["GradientBasedCorrections", "CircularGradientBasedCorrections", "PaintBasedCorrections"]
)
@pytest.mark.parametrize("local", ["LocalExposure2012", "LocalTemperature", "LocalTint", "LocalExposure"])
def test_local_corrections_of_exposure_and_white_balance_are_named(name: str, local: str) -> None:
    found = look_of("", correction(f'crs:What="Correction" crs:CorrectionAmount="1" crs:{local}="0.2"', name))
    assert difference(found, look_of("")).local == (name,)
    assert difference(found, look_of("")).properties == ()


@pytest.mark.parametrize(
    "fields",
    [
        'crs:LocalExposure2012="0"',
        'crs:LocalSharpness="0.4"',
        'crs:LocalExposure2012="0.4" crs:CorrectionActive="false"',
        'crs:LocalExposure2012="0.4" crs:CorrectionAmount="0"',
    ],
)
def test_local_corrections_without_an_effect_on_skin_are_not(fields: str) -> None:
    assert not difference(look_of("", correction(fields)), look_of(""))


def test_one_local_correction_copied_to_another_frame_is_alike() -> None:
    one = look_of("", correction('crs:LocalTint="0.1" crs:CorrectionID="A" crs:CorrectionSyncID="S"'))
    other = look_of("", correction('crs:LocalTint="0.1" crs:CorrectionID="B" crs:CorrectionSyncID="S"'))
    assert one.local and not difference(one, other)
