"""Cutting, turning and warping keep track of where each pixel came from."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from xmpsync.faces.pixels import cut, evened, fitted, stretched, turned, unturned_points, warped
from xmpsync.records import Box


@pytest.mark.parametrize("turn", [0, 1, 2, 3])
def test_a_point_in_a_turned_picture_leads_back_to_its_pixel(turn: int) -> None:
    picture = np.zeros((5, 8, 3), np.uint8)
    picture[1, 6] = 255
    shown = turned(picture, turn)
    (row,), (column,) = np.nonzero(shown[..., 0])
    there = np.array([(column + 0.5) / shown.shape[1], (row + 0.5) / shown.shape[0]])
    assert unturned_points(there, turn) == pytest.approx([6.5 / 8, 1.5 / 5])


@given(st.floats(-0.5, 1.2), st.floats(-0.5, 1.2), st.floats(0.01, 1.5), st.floats(0.01, 1.5))
def test_a_cut_box_covers_what_was_asked_for_and_never_nothing(
    left: float, top: float, width: float, height: float
) -> None:
    picture = np.zeros((40, 60, 3), np.uint8)
    part, covered = cut(picture, Box(left, top, width, height))
    assert part.shape[1] == pytest.approx(covered.width * 60)
    assert part.shape[0] == pytest.approx(covered.height * 40)
    if left > 0 and left + width < 1:
        assert covered.left <= left + 1e-9 and covered.left + covered.width >= left + width - 1e-9


def test_a_shifted_and_turned_crop_shows_the_pixel_it_should() -> None:
    picture = np.zeros((100, 100, 3), np.uint8)
    picture[29:32, 59:62] = 200
    # crop pixel (u, v) = picture (50 + v, 40 - u): a quarter turn
    crop = warped(picture, np.array([[0.0, 1.0, 50.0], [-1.0, 0.0, 40.0]]), 32)
    rows, columns = np.nonzero(crop[..., 0] > 100)
    assert np.mean(columns + 0.5) == pytest.approx(40 - 30.5, abs=0.6)
    assert np.mean(rows + 0.5) == pytest.approx(60.5 - 50, abs=0.6)


def test_a_crop_outside_the_picture_is_black() -> None:
    picture = np.full((20, 20, 3), 255, np.uint8)
    assert warped(picture, np.array([[1.0, 0.0, 500.0], [0.0, 1.0, 500.0]]), 16).max() == 0


def test_a_fitted_picture_keeps_its_mean_and_shape() -> None:
    rng = np.random.default_rng(1)
    picture = rng.integers(0, 256, (600, 900, 3), dtype=np.uint8)
    small = fitted(picture, 90)
    assert small.shape == (60, 90, 3)
    assert small.mean() == pytest.approx(picture.mean(), abs=1.0)


def test_contrast_is_stretched_to_that_of_a_good_face_and_never_lowered() -> None:
    """Percentiles 5 and 95 under the box end 130 codes apart, the median at 118; a contrasty part stays as it is."""
    ramp = np.repeat(np.linspace(40, 92, 100)[None, :, None], 60, axis=0).repeat(3, axis=2).astype(np.uint8)
    level = stretched(ramp, Box(0.0, 0.0, 1.0, 1.0)).mean(axis=-1)
    low, middle, high = np.percentile(level, [5, 50, 95])
    assert high - low == pytest.approx(130, abs=4) and middle == pytest.approx(118, abs=2)
    steep = np.repeat(np.linspace(0, 255, 100)[None, :, None], 60, axis=0).repeat(3, axis=2).astype(np.uint8)
    same = stretched(steep, Box(0.0, 0.0, 1.0, 1.0)).astype(int)
    assert np.abs(np.diff(same[0, :, 0]).mean() - np.diff(steep[0, :, 0].astype(int)).mean()) < 0.2


def test_evened_contrast_shows_in_shadow_and_behind_a_veil_what_it_shows_in_the_light() -> None:
    """The same pattern in three places: plain, 4 EV darker, and behind a veil that leaves an eighth of its contrast."""
    rng = np.random.default_rng(1)
    pattern = np.asarray(Image.fromarray(rng.uniform(40, 220, (16, 16))).resize((128, 128), Image.Resampling.BICUBIC))
    row = np.hstack([pattern, pattern * 0.15, 160 + pattern * 0.125])
    picture = np.repeat(np.clip(row, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    shown = evened(picture).astype(float)
    inner = [shown[32:96, 128 * i + 32 : 128 * i + 96, 1] for i in range(3)]
    plain = picture.astype(float)[32:96, 32:96, 1]
    for part in inner:
        assert abs(part.mean() - 118) < 20 and 18 < part.std() < 60
        assert np.corrcoef(part.ravel(), plain.ravel())[0, 1] > 0.8
