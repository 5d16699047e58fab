"""What a packet says about the development, and what alters the meaning of its numbers."""

from __future__ import annotations

import pytest

from tests.xmp.samples import attributes
from xmpsync.xmp.numbers import boolean, integer, real
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.settings import DevelopSettings, ExposureField, Meaning, read_settings


def settings_of(data: bytes) -> DevelopSettings:
    return read_settings(Packet.parse(data))


@pytest.mark.parametrize(
    ("text", "whole", "decimal"),
    [
        # XMP part 1, 8.2.1: Integer and Real
        ("5500", 5500, 5500.0),
        ("+5500", 5500, 5500.0),
        ("-7", -7, -7.0),
        ("007", 7, 7.0),
        ("0.5", None, 0.5),
        (".500000", None, 0.5),
        ("-.5", None, -0.5),
        ("5.", None, 5.0),
        # what int() or float() accept and XMP does not
        ("NaN", None, None),
        ("inf", None, None),
        ("5.5e3", None, None),
        ("1_000", None, None),
        ("５５００", None, None),
        (" 5500", None, None),
        ("5500\n", None, None),
        ("5 500", None, None),
        ("5,5", None, None),
        ("0x157C", None, None),
        ("−5", None, None),
        ("--5", None, None),
        ("", None, None),
        (".", None, None),
        ("+", None, None),
        ("9" * 400, None, None),
        ("1." + "0" * 400, None, None),
    ],
)
def test_numbers_are_read_as_the_standard_says(text: str, whole: int | None, decimal: float | None) -> None:
    assert integer(text) == whole
    assert real(text) == decimal


def test_booleans_are_true_and_false_in_this_spelling() -> None:
    """XMP part 1, 8.2.1.1."""
    assert [boolean(text) for text in ("True", "False", "true", "1", "")] == [True, False, None, None, None]


def test_everything_is_read() -> None:
    data = attributes(
        'crs:Temperature="5500" crs:Tint="-3" crs:WhiteBalance="As Shot" crs:Exposure2012="+0.35" '
        'crs:ProcessVersion="11.0" crs:HasSettings="True" xmp:Rating="-1" xmp:Label="Rot &amp; Grün" '
        'crs:RawFileName="A.DNG"',
        "<dc:subject><rdf:Bag><rdf:li>a</rdf:li><rdf:li/><rdf:li rdf:resource='u'/><rdf:li>ä b</rdf:li></rdf:Bag>"
        "</dc:subject>",
    )
    assert settings_of(data) == DevelopSettings(
        temperature_k=5500.0,
        tint=-3.0,
        white_balance="As Shot",
        exposure_ev=0.35,
        exposure_field=ExposureField.EXPOSURE2012,
        process_version="11.0",
        has_settings=True,
        rating=-1,
        label="Rot & Grün",
        keywords=("a", "ä b"),
        raw_file_name="A.DNG",
        alters_meaning=(),
        unreadable=(),
    )


def test_an_empty_packet_says_nothing() -> None:
    settings = settings_of(attributes(""))
    assert settings.temperature_k is settings.tint is settings.exposure_ev is settings.rating is None
    assert settings.keywords == ()
    assert settings.has_settings is None
    assert not settings.skip


@pytest.mark.parametrize(
    ("text", "rating"),
    [("5", 5), ("3.0", 3), ("0", 0), ("-1", -1), ("6", None), ("-2", None), ("2.5", None), ("x", None)],
)
def test_ratings_are_minus_one_to_five(text: str, rating: int | None) -> None:
    """XMP part 2: xmp:Rating is -1 (rejected) or 0..5."""
    assert settings_of(attributes(f'xmp:Rating="{text}"')).rating == rating


def test_a_keyword_as_plain_text_counts() -> None:
    assert settings_of(attributes('dc:subject="a"')).keywords == ("a",)


@pytest.mark.parametrize("text", ["5500.5", "NaN", "1999", "50001", ""])
def test_an_unreadable_temperature_is_unknown_and_noted(text: str) -> None:
    settings = settings_of(attributes(f'crs:Temperature="{text}"'))
    assert settings.temperature_k is None
    (note,) = settings.unreadable
    assert (note.name, note.text) == ("crs:Temperature", text)
    assert "read as unknown" in note.sentence


def test_ranges_are_those_of_the_schema() -> None:
    """XMP part 2, 3.3; exposures up to 5 EV are seen under the newer name."""
    settings = settings_of(attributes('crs:Tint="-150" crs:Exposure2012="+5.00"'))
    assert (settings.tint, settings.exposure_ev) == (-150, 5)
    settings = settings_of(attributes('crs:Tint="151" crs:Exposure="+5.00"'))
    assert (settings.tint, settings.exposure_ev) == (None, None)
    assert [note.name for note in settings.unreadable] == ["crs:Exposure", "crs:Tint"]
    (note,) = settings_of(attributes('crs:Exposure2012="NaN"')).unreadable
    assert "real number" in note.sentence


ALTERING = {
    'crs:IncrementalTemperature="+12"': (Meaning.RELATIVE_WHITE_BALANCE, True),
    'crs:IncrementalTint="+12"': (Meaning.RELATIVE_WHITE_BALANCE, True),
    'crs:AlreadyApplied="True"': (Meaning.ALREADY_APPLIED, True),
    'crs:ProcessVersion="6.6"': (Meaning.EXPOSURE_UNCLEAR, True),
    'crs:Exposure="1" crs:Exposure2012="1"': (Meaning.EXPOSURE_UNCLEAR, True),
    'crs:AutoExposure="True"': (Meaning.AUTO_EXPOSURE, True),
    'crs:ProcessVersion="5.7"': (Meaning.OLDER_PROCESS, False),
    'crs:HasSettings="False"': (Meaning.SETTINGS_OFF, False),
}


@pytest.mark.parametrize("held", ALTERING)
def test_what_alters_the_meaning_is_recognised(held: str) -> None:
    settings = settings_of(attributes(held))
    (reason,) = settings.alters_meaning
    assert (reason.code, reason.skip) == ALTERING[held]
    assert reason.sentence.endswith(".")
    assert settings.skip == reason.skip


@pytest.mark.parametrize(
    "held",
    [
        'crs:AlreadyApplied="False"',
        'crs:ConvertToGrayscale="True"',
        'crs:CameraProfile="My Own"',
        'crs:LookName="Warm"',
    ],
)
def test_what_alters_nothing_or_only_beside_another_look_is_not(held: str) -> None:
    assert settings_of(attributes(held)).alters_meaning == ()


def test_an_unclear_exposure_is_not_read() -> None:
    settings = settings_of(attributes('crs:Exposure="1" crs:Exposure2012="2"'))
    assert (settings.exposure_ev, settings.exposure_field) == (None, ExposureField.UNCLEAR)


def test_an_older_process_that_holds_both_exposures_uses_its_own() -> None:
    settings = settings_of(attributes('crs:ProcessVersion="5.7" crs:Exposure="+0.50" crs:Exposure2012="+1.25"'))
    assert (settings.exposure_ev, settings.exposure_field) == (0.5, ExposureField.EXPOSURE)
    assert [reason.code for reason in settings.alters_meaning] == [Meaning.OLDER_PROCESS, Meaning.TWO_EXPOSURES]
    assert not settings.skip


def test_the_camera_model_is_read() -> None:
    data = attributes('xmlns:tiff="http://ns.adobe.com/tiff/1.0/" tiff:Model="Model One"')
    assert settings_of(data).camera_model == "Model One"
