"""The second colour model against published numbers, and against itself backwards."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_shoot.camera import colour_profile
from demo_shoot.dng_model import (
    D50_XYZ,
    Profile,
    difference,
    neutral_from_xy,
    render,
    solve,
    temperature_tint_from_xy,
    xy_from_neutral,
    xy_from_temperature_tint,
    xyz_d50_from_camera,
)
from demo_shoot.shots import FIRST

# CIE 015:2018, tables of illuminants: chromaticity (2 degree observer) and nominal correlated colour temperature
CIE_015 = {
    "A": (0.44758, 0.40745, 2856),
    "D50": (0.34567, 0.35851, 5003),
    "D55": (0.33243, 0.34744, 5503),
    "D65": (0.31272, 0.32903, 6504),
    "D75": (0.29903, 0.31488, 7504),
    "FL2": (0.3721, 0.3751, 4230),
    "FL11": (0.3805, 0.3769, 4000),
}
PROFILE = colour_profile(FIRST)
kelvins = st.floats(2100, 20000)
tints = st.floats(-100, 100)


@pytest.mark.parametrize("name", CIE_015)
def test_published_illuminants_have_their_nominal_temperature(name: str) -> None:
    x, y, nominal = CIE_015[name]
    # nominal temperatures are rounded, and Robertson's method is good to some kelvin
    assert temperature_tint_from_xy(np.array([x, y]))[0] == pytest.approx(nominal, abs=10)


def test_a_full_radiator_has_no_tint_and_greenish_light_a_positive_one() -> None:
    x, y, _ = CIE_015["A"]
    assert temperature_tint_from_xy(np.array([x, y]))[1] == pytest.approx(0.0, abs=0.3)
    # phases of daylight lie on the green side of the Planckian locus (CIE 015)
    assert temperature_tint_from_xy(np.array(CIE_015["D65"][:2]))[1] > 5


@given(kelvins, tints)
def test_temperature_and_tint_go_there_and_back(temperature_k: float, tint: float) -> None:
    back_k, back_tint = temperature_tint_from_xy(xy_from_temperature_tint(temperature_k, tint))
    # the method interpolates between isotherms, so far from the locus it is exact to hundredths of a mired
    assert 1e6 / back_k == pytest.approx(1e6 / temperature_k, abs=0.15)
    assert back_tint == pytest.approx(tint, abs=0.15)


@given(kelvins, st.floats(-60, 60))
def test_the_neutral_of_a_white_renders_as_the_white_of_the_connection_space(temperature_k: float, tint: float) -> None:
    neutral = neutral_from_xy(PROFILE, xy_from_temperature_tint(temperature_k, tint))
    xyz = render(PROFILE, neutral, temperature_k, tint, 0.0)
    # the temperature read back from the white may choose a slightly other interpolation weight
    np.testing.assert_allclose(xyz, D50_XYZ, atol=2e-3)


@given(kelvins, st.floats(-60, 60))
def test_the_iteration_finds_the_white_of_a_neutral(temperature_k: float, tint: float) -> None:
    xy = xy_from_temperature_tint(temperature_k, tint)
    np.testing.assert_allclose(xy_from_neutral(PROFILE, neutral_from_xy(PROFILE, xy)), xy, atol=1e-6)


def test_without_forward_matrices_white_still_renders_as_white() -> None:
    plain = Profile(PROFILE.cm, None)
    for temperature_k, tint in ((2500.0, 10.0), (4200.0, -20.0), (9000.0, 5.0)):
        xy = xy_from_temperature_tint(temperature_k, tint)
        cm, balance, _ = plain.at(temperature_k)
        neutral = balance @ cm @ np.array([xy[0] / xy[1], 1.0, (1 - xy.sum()) / xy[1]])
        xyz = xyz_d50_from_camera(plain, temperature_k, tint) @ (neutral / neutral.max())
        np.testing.assert_allclose(xyz, D50_XYZ, atol=1e-6)


@settings(max_examples=60)
@given(kelvins, st.floats(-60, 60), st.floats(-3, 3))
def test_solving_undoes_rendering(temperature_k: float, tint: float, exposure_ev: float) -> None:
    # camera value of skin under that light: balanced values in the proportions of skin (R > G > B)
    camera = np.array([0.40, 0.30, 0.22]) * neutral_from_xy(PROFILE, xy_from_temperature_tint(temperature_k, tint))
    target = render(PROFILE, camera, temperature_k, tint, exposure_ev)
    found = solve(PROFILE, camera, target)
    de00, level = difference(render(PROFILE, camera, *found), target)
    # 0.15 mired of the way there and back
    assert de00 < 0.05 and abs(level) < 0.01


def test_exposure_is_a_factor_of_two_per_stop_on_top_of_the_baseline() -> None:
    lifted = Profile(PROFILE.cm, PROFILE.fm, baseline_exposure_ev=0.5)
    camera = np.array([0.2, 0.2, 0.1])
    ratio = render(lifted, camera, 5000, 0, 1.0) / render(PROFILE, camera, 5000, 0, 0.0)
    np.testing.assert_allclose(ratio, 2.0**1.5)


def test_a_camera_value_that_no_white_can_render_is_refused() -> None:
    with pytest.raises(ValueError, match="no white"):
        solve(PROFILE, np.array([0.5, 0.001, 0.5]), np.array([0.3, 0.27, 0.2]))


def test_difference_is_blind_to_level_and_reports_it() -> None:
    target = np.array([0.30, 0.27, 0.18])
    de00, level = difference(2.0 * target, target)
    assert de00 == pytest.approx(0.0, abs=1e-9) and level == pytest.approx(1.0)
