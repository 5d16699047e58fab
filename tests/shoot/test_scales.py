"""The editor's scale reaches the whole way: from pairs in sidecars to the numbers that are written."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from xmpsync.colour.camera import neutral_from_white
from xmpsync.colour.camera_profile import Calibration, CameraProfile, ProfileSource
from xmpsync.errors import WrongUsage
from xmpsync.measurement import FrameMeasurement
from xmpsync.measuring.source import SourceFrame
from xmpsync.plan.options import Options
from xmpsync.read.discover import FrameFiles
from xmpsync.records import Capture
from xmpsync.shoot.load import Loaded
from xmpsync.shoot.scales import _left_out, learn_scales
from xmpsync.store.database import Store
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.settings import read_settings

# The editor's two matrices, of an invented camera: a daylight matrix and a tungsten one that differs.
DAYLIGHT = ((0.85, -0.24, -0.08), (-0.45, 1.25, 0.22), (-0.06, 0.17, 0.62))
TUNGSTEN = ((0.97, -0.39, -0.05), (-0.41, 1.22, 0.21), (-0.02, 0.11, 0.66))
EDITOR = CameraProfile((Calibration(2850.0, TUNGSTEN), Calibration(6500.0, DAYLIGHT)))
TABLE = CameraProfile((Calibration(6500.0, DAYLIGHT),), source=ProfileSource.TABLE)
LIGHTS = [
    (2700, 4),
    (2800, -6),
    (2900, 2),
    (3000, 9),
    (3200, -3),
    (4000, 8),
    (4200, 2),
    (4500, -5),
    (5200, 3),
    (5500, 9),
]
LIGHTS += [(5600, -4), (6000, 6), (6500, 1), (7000, 12), (7500, 5)]

PACKET = """<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:crs="http://ns.adobe.com/camera-raw-settings/1.0/" crs:WhiteBalance="As Shot"
 crs:Temperature="{t}" crs:Tint="{d:+d}"/></rdf:RDF></x:xmpmeta>"""


def made(root: Path) -> tuple[Loaded, dict[str, FrameMeasurement]]:
    frames, measured = [], {}
    for index, (temperature_k, tint) in enumerate(LIGHTS):
        name = f"f{index:02d}.nef"
        sidecar = PACKET.format(t=temperature_k, d=tint).encode()
        files = FrameFiles(root / name, root / f"f{index:02d}.xmp", root / f"f{index:02d}.xmp", name)
        frames.append(SourceFrame(files, sidecar, read_settings(Packet.parse(sidecar))))
        neutral = neutral_from_white(EDITOR, temperature_k, tint)
        measured[name] = FrameMeasurement(
            Capture(make="Boatworks", model="B1"), "B1", TABLE, tuple(map(float, neutral))
        )
    return Loaded(root, tuple(frames), (), (), tuple(measured)), measured


def error_mired(profile: CameraProfile) -> float:
    """How far a tungsten white reads from the editor's own number."""
    from xmpsync.colour.camera import white_from_neutral

    temperature_k, _ = white_from_neutral(profile, neutral_from_white(EDITOR, 2860.0, 0.0))
    return abs(1e6 / float(temperature_k) - 1e6 / 2860.0)


def test_pairs_teach_the_scale_and_the_pairs_outlive_the_sidecars(tmp_path: Path) -> None:
    loaded, measured = made(tmp_path)
    first = next(iter(measured.values()))
    with Store(None) as store:
        before = learn_scales(Loaded(tmp_path, (), (), (), ()), measured, Options(), store)
        learned = learn_scales(loaded, measured, Options(), store)
        bare = Loaded(tmp_path, tuple(SourceFrame(s.files, None, None) for s in loaded.frames), (), (), loaded.all_ids)
        later = learn_scales(bare, measured, Options(), store)
    assert before.profile_for(first).source is not ProfileSource.LEARNED
    assert learned.profile_for(first).source is ProfileSource.LEARNED
    assert error_mired(learned.profile_for(first)) < 2.0 < error_mired(TABLE)
    assert later.profile_for(first) == learned.profile_for(first)
    (sentence,) = learned.sentences()
    assert "Boatworks B1" in sentence and "learned" in sentence


def test_a_saved_scale_serves_another_shoot(tmp_path: Path) -> None:
    loaded, measured = made(tmp_path)
    first = next(iter(measured.values()))
    with Store(None) as store:
        learn_scales(loaded, measured, Options(), store).save(tmp_path / "b1.json")
    with Store(None) as store:
        other = learn_scales(
            Loaded(tmp_path, (), (), (), ()), measured, Options(scale=str(tmp_path / "b1.json")), store
        )
    assert error_mired(other.profile_for(first)) < 2.0


def test_nothing_learned_is_not_saved_and_a_wrong_file_is_refused(tmp_path: Path) -> None:
    _, measured = made(tmp_path)
    empty = Loaded(tmp_path, (), (), (), ())
    with Store(None) as store:
        with pytest.raises(WrongUsage, match="No scale was learned"):
            learn_scales(empty, measured, Options(), store).save(tmp_path / "no.json")
        assert not (tmp_path / "no.json").exists()
        for content in (b"{}", b"not json", b'{"schema": 99, "scales": []}'):
            (tmp_path / "bad.json").write_bytes(content)
            with pytest.raises(WrongUsage, match=r"bad\.json"):
                learn_scales(empty, measured, Options(scale=str(tmp_path / "bad.json")), store)
        with pytest.raises(WrongUsage, match="none"):
            learn_scales(empty, measured, Options(scale=str(tmp_path / "none.json")), store)


def test_the_numbers_that_are_solved_are_the_editors(tmp_path: Path) -> None:
    """A neutral of the camera comes out as the editor's own numbers for it, not as the table's."""
    loaded, measured = made(tmp_path)
    first = next(iter(measured.values()))
    with Store(None) as store:
        profile = learn_scales(loaded, measured, Options(), store).profile_for(first)
    from xmpsync.colour.camera import white_from_neutral

    for temperature_k, tint in LIGHTS:
        found_k, found_tint = white_from_neutral(profile, neutral_from_white(EDITOR, temperature_k, tint))
        assert np.isclose(1e6 / found_k, 1e6 / temperature_k, atol=2.0)  # pairs are whole kelvins and tints
        assert np.isclose(found_tint, tint, atol=1.5)


def test_a_profiles_hue_and_saturation_tables_are_told_with_what_leaving_them_out_costs() -> None:
    """DNG 1.7, ProfileHueSatMapDims 50937 and ProfileHueSatMapData1/2 50938/50939: hue shift, saturation, value."""
    same, redder = [0.0, 1.0, 1.0] * 12, [8.0, 1.1, 1.0] * 12
    tags = {50937: (6, 2, 1), 50938: tuple(redder), 50939: tuple(same), 50778: (17,), 50779: (21,)}
    told = _left_out(tags, EDITOR)
    assert told is not None and "left out" in told and "0.0 dE00" not in told
    assert _left_out({}, EDITOR) is None
    assert "cannot be read" in str(_left_out({**tags, 50938: (1.0,)}, EDITOR))
