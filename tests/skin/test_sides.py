"""A second light on one side is seen; shading, noise and redness under one light are not taken for it."""

from __future__ import annotations

import numpy as np
import pytest

from tests.skin.scenes import BODY, SIZE, cells, face_places, grid, shows, textured
from xmpsync.skin.measure import measure_face
from xmpsync.skin.records import FaceSkin, SideDifference
from xmpsync.skin.settings import SkinSettings

# ln of tungsten over daylight on the three channels, about 150 mired apart: common practice among camera neutrals
WARMER = np.array([0.6, 0.0, -0.55])


def sides(
    share: float, seed: int, slope_ev: float = 0.0, iso: float = 400.0, settings: SkinSettings | None = None
) -> SideDifference:
    rng = np.random.default_rng(seed)
    x, _ = grid()
    part = share / (1 + np.exp(-(x - 0.5) / 0.05))
    light = (1 - part)[..., None] + part[..., None] * np.exp(WARMER)
    scene = textured(BODY, SIZE, rng) * light * np.exp2(slope_ev * (x - 0.5))[..., None]
    face = measure_face(cells(scene, rng, iso), face_places(), settings, neutral=(0.5, 1.0, 0.6))
    assert isinstance(face, FaceSkin)
    assert face.sides is not None
    return face.sides


@pytest.mark.parametrize("share", [0.25, 0.5, 0.8])
def test_a_quarter_of_a_second_light_on_one_side_is_mixed_light(share: float) -> None:
    found = sides(share, 1)
    assert shows(found)
    # one half is the picture's left, the daylight side: it is bluer
    assert found.log_ratio[0] - found.log_ratio[1] < 0 < found.log_ratio[2] - found.log_ratio[1]


def test_the_middle_of_the_face_does_not_dilute_the_difference() -> None:
    # linear light: where the second one reaches fully, a channel is 1 + share x (its ratio - 1) of the other side's
    share = 0.6
    true = -np.log(1 + share * (np.exp(WARMER) - 1))

    def part(settings: SkinSettings | None) -> float:
        found = [np.asarray(sides(share, seed, settings=settings).log_ratio) for seed in range(3)]
        return float(np.mean([(f[0] - f[2]) / (true[0] - true[2]) for f in found]))

    assert part(None) > 0.88
    assert part(SkinSettings(side_middle=0.0)) < 0.8


@pytest.mark.parametrize("slope_ev", [0.0, 1.0, 2.5])
@pytest.mark.parametrize("iso", [100, 3200])
def test_shading_under_one_light_is_no_mixed_light(slope_ev: float, iso: float) -> None:
    found = [sides(0.0, seed, slope_ev, iso) for seed in range(5)]
    assert not any(shows(side) for side in found)


def test_the_difference_of_level_is_reported() -> None:
    # halves of a slope of 2 EV over the picture differ by about half of it
    assert sides(0.0, 3, 2.0).level_ev == pytest.approx(-0.9, abs=0.35)


def test_a_key_light_that_changes_sides_does_not_change_the_colour() -> None:
    # one half of the face 1-3 dE00 redder, as on portraits; the other half is the bright one from frame to frame
    rng = np.random.default_rng(4)
    x, _ = grid()
    own = np.exp(0.06 / (1 + np.exp(-(x - 0.5) / 0.05)))[..., None] ** np.array([1.0, 0.0, 0.0])
    scene = textured(BODY * 0.5, SIZE, rng) * own
    chroma = []
    for side in (-1, 1, -1):
        key = np.exp2(0.9 * side * np.tanh((x - 0.5) / 0.05))[..., None]
        face = measure_face(cells(scene * key, rng), face_places(), neutral=(0.5, 1.0, 0.6))
        assert isinstance(face, FaceSkin) and face.sides is not None and not shows(face.sides)
        chroma.append(np.log(face.camera[0] / face.camera[1]))
    # half of the halves' own difference would be 0.03
    assert np.ptp(chroma) < 0.015


def test_the_difference_comes_with_its_covariance() -> None:
    found = sides(0.5, 1)
    covariance = np.asarray(found.log_covariance)
    assert np.linalg.eigvalsh(covariance).min() >= 0
    ratio = np.asarray(found.log_ratio)
    assert np.hypot(ratio[0] - ratio[1], ratio[2] - ratio[1]) > 3 * np.sqrt(covariance[0, 0] + covariance[1, 1])


@pytest.mark.parametrize("side", [-1, 1])
def test_the_level_does_not_jump_where_a_side_light_gets_steeper(side: int) -> None:
    # the lit half stays as it is, with a slope of its own; the other half falls away from frame to frame
    rng = np.random.default_rng(6)
    x, y = grid()
    scene = textured(BODY * 0.5, SIZE, rng) * np.exp2(1.2 * (y - 0.5))[..., None]
    level = []
    for key_ev in (0.9, 1.2, 1.4, 1.6, 2.0, 2.4):
        key = np.exp2(key_ev * (1 / (1 + np.exp(-side * (x - 0.5) / 0.02)) - 1))[..., None]
        face = measure_face(cells(scene * key, rng), face_places(), neutral=(0.5, 1.0, 0.6))
        assert isinstance(face, FaceSkin)
        level.append(float(np.log2(face.camera[1])))
    assert np.ptp(level) < 0.12, level
