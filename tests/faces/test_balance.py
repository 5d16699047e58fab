"""The detector's picture shows the frame as a finished photograph would, whatever the exposure and the light."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from xmpsync.faces.balance import BalanceSettings, picture_for_detection, picture_from_preview
from xmpsync.faces.detector import Detector

from .conftest import Portrait

NEUTRAL = (0.45, 1.0, 0.6)
"""As-shot neutral of a typical mosaic sensor in daylight (common practice: red and blue gains of about 2)."""


def _grey_ramp(neutral: tuple[float, float, float], level: float) -> np.ndarray:
    ramp = np.geomspace(0.02, 0.6, 96)[None, :, None] * np.ones((64, 1, 1))
    return ramp * level * np.array(neutral)


def test_a_dark_green_frame_comes_out_neutral_and_at_mid_grey() -> None:
    picture = picture_for_detection(_grey_ramp(NEUTRAL, 0.2), NEUTRAL).astype(int)
    assert np.abs(picture[..., 0] - picture[..., 1]).max() <= 2
    assert np.abs(picture[..., 2] - picture[..., 1]).max() <= 2
    # mid-grey, 0.18 linear, is 118 in sRGB (IEC 61966-2-1); the tone curve may move it by half a stop
    assert 95 < np.median(picture) < 145


@settings(max_examples=20, deadline=None)
@given(st.floats(-5, 1))
def test_exposure_does_not_change_the_picture(ev: float) -> None:
    scene = _grey_ramp(NEUTRAL, 0.5)
    reference = picture_for_detection(scene, NEUTRAL).astype(int)
    other = picture_for_detection(scene * 2.0**ev, NEUTRAL).astype(int)
    assert np.abs(reference - other).max() <= 6  # 8-bit rounding and the pixels clipped at +1 EV


def test_a_wrong_as_shot_white_is_pulled_back_by_the_frame_itself() -> None:
    scene = _grey_ramp((0.9, 1.0, 0.25), 0.5)  # tungsten, white balance left on daylight
    casts = []
    for weight in (0.0, BalanceSettings().grey_world_weight):
        picture = picture_for_detection(scene, NEUTRAL, settings=BalanceSettings(grey_world_weight=weight))
        middle = ((picture[:, 30:60] / 255 + 0.055) / 1.055) ** 2.4
        casts.append(np.log(middle[..., 0] / middle[..., 2]).mean())
    assert 0 < casts[1] < 0.75 * casts[0]


def test_clipped_highlights_stay_neutral() -> None:
    scene = np.full((64, 64, 3), 0.2) * np.array(NEUTRAL)
    scene[:, 32:] = 1.0  # all channels at the white level: magenta if only multiplied
    picture = picture_for_detection(scene, NEUTRAL).astype(int)
    assert (picture[:, 40:].max(axis=-1) - picture[:, 40:].min(axis=-1)).max() <= 3


def test_a_backlit_face_is_brought_up(collins: Portrait) -> None:
    linear = collins.linear * 0.02
    rows, columns = np.mgrid[0:512, 0:512]
    linear[np.hypot(rows - 115, columns - 225) > 110] = 0.9
    cheek = np.s_[110:125, 190:205]
    flat = BalanceSettings(local_compression=1.0)
    before = np.median(picture_for_detection(linear, (1.0, 1.0, 1.0), settings=flat)[cheek])
    after = np.median(picture_for_detection(linear, (1.0, 1.0, 1.0))[cheek])
    assert before < 20 and after > 40


@pytest.mark.parametrize("value", [0.0, 1.0, np.nan])
def test_a_flat_or_broken_frame_gives_a_picture_all_the_same(value: float) -> None:
    picture = picture_for_detection(np.full((32, 48, 3), value), None)
    assert picture.shape == (32, 48, 3) and picture.dtype == np.uint8


def test_a_preview_is_balanced_too(collins: Portrait, detector: Detector) -> None:
    dark = (collins.picture * 0.25).astype(np.uint8)
    (face,) = detector.find(picture_from_preview(dark))
    assert face.box.contains(*(collins.points[2] / 512))
