"""Polygons on cells against exact geometry and scikit-image; skin's colour against other matter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.draw import polygon2mask

from xmpsync.skin.mask import colour_mode, colour_trim, coverage
from xmpsync.skin.settings import SkinSettings

rng = np.random.default_rng(0)


def test_a_rectangle_covers_exactly_its_parts_of_cells() -> None:
    cover = coverage(np.array([[1.25, 1.0], [3.5, 1.0], [3.5, 3.0], [1.25, 3.0]]), (5, 6))
    assert cover.sum() == pytest.approx(2.25 * 2, abs=1e-9)
    np.testing.assert_allclose(cover[1], [0, 0.75, 1, 0.5, 0, 0], atol=1e-9)


def test_area_of_a_polygon_outside_the_grid_is_cut_at_the_border() -> None:
    assert coverage(np.array([[-5.0, -5], [2, -5], [2, 3], [-5, 3]]), (4, 4)).sum() == pytest.approx(6.0, abs=1e-9)
    assert coverage(np.array([[-5.0, -5], [-2, -5], [-2, -3]]), (4, 4)).sum() == 0


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(5, 60))
def test_area_agrees_with_the_shoelace_formula(seed: int, size: int) -> None:
    draw = np.random.default_rng(seed)
    angle = np.sort(draw.uniform(0, 2 * np.pi, 9))
    if np.diff(np.append(angle, angle[0] + 2 * np.pi)).max() > np.pi:
        return  # the centre would lie outside: no simple star
    polygon = size / 2 + draw.uniform(0.2, 0.45, (9, 1)) * size * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    x, y = polygon.T
    area = 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))
    cover = coverage(polygon, (size, size))
    # scan lines at eight sub-rows, three for large shapes
    assert cover.sum() == pytest.approx(area, rel=0.02, abs=0.2)
    assert cover.min() >= 0 and cover.max() <= 1


def test_whole_cells_agree_with_scikit_image() -> None:
    polygon = 30 + 22 * np.stack([np.cos(np.arange(12) * np.pi / 6 + 0.1), np.sin(np.arange(12) * np.pi / 6)], axis=1)
    ours = coverage(polygon, (60, 60)) > 0.5
    theirs = polygon2mask((60, 60), polygon[:, ::-1] - 0.5)
    assert (ours != theirs).mean() < 0.01


def test_the_mode_is_skin_when_a_third_is_hair_and_lips() -> None:
    skin = rng.normal(size=(600, 2)) * 0.05 + (0.1, -0.9)
    hair = rng.normal(size=(200, 2)) * 0.08 + (-0.4, -0.6)
    lips = rng.normal(size=(100, 2)) * 0.05 + (0.75, -0.7)
    chroma = np.concatenate([skin, hair, lips])
    s = SkinSettings()
    centre = colour_mode(chroma, np.ones(900), np.median(chroma, axis=0)[None], s)
    np.testing.assert_allclose(centre, (0.1, -0.9), atol=0.02)
    kept, _ = colour_trim(chroma, np.zeros(900), np.ones(900), centre, s)
    assert kept[:600].mean() > 0.95
    assert kept[600:].mean() < 0.05
