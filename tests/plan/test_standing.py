"""Where a frame stands: every row of the table in docs/contract.md, from real packets."""

from __future__ import annotations

from pathlib import Path

import pytest

from xmpsync.colour.camera_profile import Calibration, CameraProfile
from xmpsync.measurement import FrameMeasurement
from xmpsync.measuring.source import SourceFrame
from xmpsync.plan.standing import Baseline, Standing, baseline, from_note, to_note
from xmpsync.read import libraw
from xmpsync.read.discover import FrameFiles
from xmpsync.records import Capture, Develop
from xmpsync.shoot.request import DAYLIGHT, Stand, _frame
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.settings import DevelopSettings, read_settings

PACKET = """<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:crs="http://ns.adobe.com/camera-raw-settings/1.0/"
 {fields}/></rdf:RDF></x:xmpmeta>"""

PROFILE = CameraProfile((Calibration(6500.0, ((0.9, -0.2, 0.0), (-0.4, 1.2, 0.2), (0.0, 0.1, 0.6))),))


def settings(**fields: str) -> DevelopSettings:
    text = " ".join(f'crs:{name}="{value}"' for name, value in fields.items())
    return read_settings(Packet.parse(PACKET.format(fields=text).encode()))


def test_no_sidecar_or_no_settings_is_as_shot() -> None:
    assert baseline(None, None) == Baseline()
    assert baseline(settings(), None) == Baseline()


def test_numbers_beside_as_shot_are_only_a_pair() -> None:
    found = baseline(settings(WhiteBalance="As Shot", Temperature="5200", Tint="+7", Exposure2012="+0.35"), None)
    assert found == Baseline(exposure_ev=0.35, pair=(5200.0, 7.0))


@pytest.mark.parametrize("white", ["Custom", "Daylight", "Tungsten", None])
def test_numbers_count_with_any_other_white_balance_and_with_none(white: str | None) -> None:
    extra = {} if white is None else {"WhiteBalance": white}
    found = baseline(settings(Temperature="3100", Tint="-4", **extra), None)
    assert found == Baseline(3100.0, -4.0, 0.0, custom=True)


@pytest.mark.parametrize(
    "fields",
    [
        {"WhiteBalance": "Cloudy"},
        {"WhiteBalance": "Auto"},
        {"WhiteBalance": "Custom", "Temperature": "5000"},
        {"WhiteBalance": "Custom", "Tint": "3"},
        {"Temperature": "5000"},
        {"WhiteBalance": "Custom", "Temperature": "NaN", "Tint": "3"},
    ],
)
def test_a_white_balance_without_its_numbers_is_as_shot_and_not_known(fields: dict[str, str]) -> None:
    found = baseline(settings(**fields), None)
    assert (found.temperature_k, found.tint, found.known, found.custom) == (None, None, False, False)
    assert found.note is not None and "not usable as a reference" in found.note


def test_an_as_shot_white_is_filled_in() -> None:
    as_shot = Develop(5321.0, 4.5, 0.0)
    assert Baseline(None, None, 0.3).over(as_shot) == Develop(5321.0, 4.5, 0.3)
    assert Baseline(None, None, 0.3).over(as_shot).as_shot
    assert Baseline(3000.0, -2.0, 0.3).over(as_shot) == Develop(3000.0, -2.0, 0.3)
    assert not Baseline(3000.0, -2.0, 0.3).over(as_shot).as_shot
    assert Baseline(3000.0, None, 0.0).over(as_shot).as_shot


def test_the_exposure_of_an_older_process_counts() -> None:
    assert baseline(settings(ProcessVersion="5.7", Exposure="-0.50"), None).exposure_ev == -0.5


def test_bytes_that_we_wrote_lead_to_the_original_baseline_and_notes_survive_the_manifest() -> None:
    for original in (
        Baseline(),
        Baseline(exposure_ev=0.2, pair=(5000.0, 3.0)),
        Baseline(4100.0, -2.0, 1.0, custom=True),
    ):
        note = to_note(original)
        assert from_note(note) == original
        assert baseline(settings(WhiteBalance="Custom", Temperature="9999", Tint="0"), note) == original


@pytest.mark.parametrize(
    "note",
    ["", [], {"temperature_k": "5000"}, {"temperature_k": 0}, {"tint": 1e300}, {"exposure_ev": [0.5]},
     {"exposure_ev": -1e9}, {"pair": [5000.0]}, {"pair": 7}, {"known": "yes"}],
)  # fmt: skip
def test_a_made_up_note_leaves_the_sidecar_as_it_is_and_is_told(note: object) -> None:
    found = baseline(settings(WhiteBalance="Custom", Temperature="4300", Tint="7"), note)
    assert (found.temperature_k, found.tint) == (4300.0, 7.0)
    assert found.note is not None and "record" in found.note


@pytest.mark.parametrize("multipliers", [(1, 1, 1, 1), (0, 1, 0, 0), (0, 0, 0, 0), (-1, 1, 1, 0)])
def test_a_white_balance_of_ones_or_zeros_is_unknown(multipliers: tuple[float, ...]) -> None:
    """What LibRaw fills in for `missing`; -1 was seen in a file."""
    assert libraw._white_balance(multipliers) is None


def test_an_unknown_as_shot_white_is_told_and_marked() -> None:
    known, unknown = (FrameMeasurement(Capture("B", "2"), "", PROFILE, n) for n in ((0.5, 1.0, 0.6), None))
    files = FrameFiles(raw=Path("a.dng"), sidecar=None, new_sidecar=Path("a.xmp"), frame_id="a.dng")
    frames = [
        _frame(Standing(SourceFrame(files, None, None), m, None, Baseline(), PROFILE, DAYLIGHT), {}, False)
        for m in (known, unknown)
    ]
    assert [frame.as_shot_known for frame in frames] == [True, False]
    assert [frame.baseline_known for frame in frames] == [True, False]
    standing = Standing(SourceFrame(files, None, None), unknown, None, Baseline(), PROFILE, DAYLIGHT)
    assert any("does not give the white balance" in note for note in Stand({"a.dng": standing}, (), ()).notes())
