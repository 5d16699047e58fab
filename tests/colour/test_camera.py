"""Camera matrices against an independent implementation of the specification, and properties that it promises."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.colour import profiles
from xmpsync.colour.adaptation import XYZ_D50, xy_from_xyz
from xmpsync.colour.blend import normalised_forward, stack
from xmpsync.colour.camera import (
    apply,
    mired_tint_from_neutral,
    neutral_from_white,
    render,
    white_from_neutral,
    xyz_from_camera,
    xyz_from_camera_jacobian,
)
from xmpsync.colour.camera_profile import Calibration, CameraProfile
from xmpsync.colour.temperature import xy_from_temperature_tint

KINDS = profiles.kinds()
BOOK = {name: p for name, p in KINDS.items() if len(p.calibrations) < 3}
WHITES = [(2100.0, 20.0), (2850.0, 0.0), (3400.0, -25.0), (4300.0, 40.0), (5003.0, 9.6), (6500.0, 9.8), (9000.0, -60.0),
          (22000.0, 5.0)]  # fmt: skip
kelvins = st.floats(20, 500).map(lambda mired: 1e6 / mired)
tints = st.floats(-150, 150)


@pytest.mark.parametrize("kind", BOOK)
@pytest.mark.parametrize(("temperature_k", "tint"), WHITES)
def test_matrix_and_neutral_are_those_of_the_specification(kind: str, temperature_k: float, tint: float) -> None:
    book = profiles.by_the_book(BOOK[kind])
    np.testing.assert_allclose(
        neutral_from_white(BOOK[kind], temperature_k, tint), book.neutral(temperature_k, tint), atol=1e-6
    )
    np.testing.assert_allclose(
        xyz_from_camera(BOOK[kind], temperature_k, tint), book.camera_to_xyz_d50(temperature_k, tint), atol=1e-6
    )


@pytest.mark.parametrize("kind", BOOK)
@pytest.mark.parametrize(("temperature_k", "tint"), WHITES[:-1])
def test_the_white_of_a_neutral_is_that_of_the_iteration_in_the_specification(
    kind: str, temperature_k: float, tint: float
) -> None:
    book = profiles.by_the_book(BOOK[kind])
    neutral = book.neutral(temperature_k, tint)
    their_k, their_tint = book.white(neutral)
    our_k, our_tint = white_from_neutral(BOOK[kind], neutral)
    # Their inverse of Robertson's table is Robertson's own: 0.0013 mired.
    assert 1e6 / our_k == pytest.approx(1e6 / their_k, abs=0.003)
    assert our_tint == pytest.approx(their_tint, abs=0.003)


@pytest.mark.parametrize("kind", KINDS)
def test_neutral_to_numbers_to_neutral_loses_nothing(kind: str) -> None:
    mired, tint = np.meshgrid(np.linspace(20, 500, 49), np.linspace(-150, 150, 31))
    neutral = neutral_from_white(KINDS[kind], 1e6 / mired, tint)
    real = (neutral > 0).all(axis=-1)
    assert real.mean() > 0.6
    back_k, back_tint = white_from_neutral(KINDS[kind], neutral[real])
    np.testing.assert_allclose(neutral_from_white(KINDS[kind], back_k, back_tint), neutral[real], atol=1e-7)
    np.testing.assert_allclose(1e6 / back_k, mired[real], atol=0.01)
    np.testing.assert_allclose(back_tint, tint[real], atol=0.01)


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=40)
@given(temperature_k=kelvins, tint=tints)
def test_a_neutral_surface_renders_as_d50_with_luminance_one(kind: str, temperature_k: float, tint: float) -> None:
    neutral = neutral_from_white(KINDS[kind], temperature_k, tint)
    assert neutral.max() == pytest.approx(1)
    np.testing.assert_allclose(render(KINDS[kind], neutral, temperature_k, tint, 0.0), XYZ_D50, atol=1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_derivatives_by_mired_and_tint_agree_with_differences(kind: str) -> None:
    rng = np.random.default_rng(5)
    mired, tint, h = rng.uniform(100, 430, 200), rng.uniform(-60, 60, 200), 1e-4
    profile = KINDS[kind]
    at = xyz_from_camera_jacobian(profile, 1e6 / mired, tint)
    np.testing.assert_allclose(at.xyz_from_camera, xyz_from_camera(profile, 1e6 / mired, tint), rtol=1e-13)

    def difference(d_mired: float, d_tint: float) -> np.ndarray:
        after = xyz_from_camera(profile, 1e6 / (mired + d_mired), tint + d_tint)
        return (after - xyz_from_camera(profile, 1e6 / (mired - d_mired), tint - d_tint)) / (2 * h)

    np.testing.assert_allclose(at.by_mired, difference(h, 0.0), atol=1e-6)
    np.testing.assert_allclose(at.by_tint, difference(0.0, h), atol=1e-6)


def test_forward_matrices_are_scaled_so_that_white_becomes_d50() -> None:
    # DNG 1.7, ForwardMatrix: maps white balanced camera colours to XYZ D50.
    off = np.array(profiles.measured().calibrations[0].xyz_d50_from_balanced) * [[1.1], [0.9], [1.3]]
    np.testing.assert_allclose(normalised_forward(off) @ [1, 1, 1], XYZ_D50, atol=1e-14)


def test_a_forward_matrix_of_any_row_scale_renders_the_same() -> None:
    both = profiles.measured()
    scaled = replace(both, calibrations=tuple(
        replace(c, xyz_d50_from_balanced=tuple(tuple(1.7 * v for v in row) for row in c.xyz_d50_from_balanced or ()))
        for c in both.calibrations))  # fmt: skip
    np.testing.assert_allclose(xyz_from_camera(scaled, 4000, 5), xyz_from_camera(both, 4000, 5), rtol=1e-12)


def test_the_order_of_calibrations_does_not_matter() -> None:
    both = profiles.measured()
    turned = replace(both, calibrations=both.calibrations[::-1])
    np.testing.assert_array_equal(xyz_from_camera(turned, 4000, 5), xyz_from_camera(both, 4000, 5))


def test_outside_the_calibrations_their_matrices_stay_constant() -> None:
    both = profiles.measured()
    warm = profiles.single(both, 0)
    np.testing.assert_allclose(xyz_from_camera(both, 2300, 3), xyz_from_camera(warm, 2300, 3), rtol=1e-12)
    cool = profiles.single(both, 1)
    np.testing.assert_allclose(xyz_from_camera(both, 9000, 3), xyz_from_camera(cool, 9000, 3), rtol=1e-12)


def test_between_two_calibrations_the_weight_is_linear_in_the_reciprocal_temperature() -> None:
    both = profiles.without_forward(profiles.measured())
    warm, cool = (np.array(c.camera_from_xyz) for c in both.calibrations)
    plain = replace(both, analog_balance=(1.0, 1.0, 1.0), calibrations=tuple(
        Calibration(c.temperature_k, c.camera_from_xyz) for c in both.calibrations))  # fmt: skip
    middle_k = 2 / (1 / 2850 + 1 / 6500)
    xy = xy_from_temperature_tint(middle_k, 0)
    white = np.array([xy[0] / xy[1], 1, (1 - xy.sum()) / xy[1]])
    n = 0.5 * (warm + cool) @ white
    np.testing.assert_allclose(neutral_from_white(plain, middle_k, 0), n / n.max(), rtol=1e-12)


def test_three_calibrations_give_each_its_own_light_exactly() -> None:
    three = profiles.triple(profiles.measured())
    for i, xy in enumerate(stack(three).xy):
        c = sorted(three.calibrations, key=lambda k: -k.temperature_k)[i]
        alone = replace(three, calibrations=(c,))
        np.testing.assert_allclose(
            neutral_from_white(three, c.temperature_k, 0.0), neutral_from_white(alone, c.temperature_k, 0.0), rtol=1e-9
        )
        assert xy == pytest.approx(xy_from_temperature_tint(c.temperature_k, 0.0))


def test_two_calibrations_of_one_temperature_count_as_the_first() -> None:
    both = profiles.measured()
    same = replace(both, calibrations=tuple(replace(c, temperature_k=5000.0) for c in both.calibrations))
    assert np.isfinite(xyz_from_camera(same, 4000, 0)).all()
    kelvin, tint = white_from_neutral(same, neutral_from_white(same, 3000, 10))
    assert kelvin == pytest.approx(3000)
    assert tint == pytest.approx(10)


def test_exposure_is_a_linear_gain() -> None:
    camera = np.array([0.3, 0.4, 0.2])
    both = profiles.measured()
    np.testing.assert_allclose(render(both, camera, 5000, 5, 1.5), 2**1.5 * render(both, camera, 5000, 5, 0.0))


def test_many_frames_at_once_equal_one_by_one() -> None:
    both = profiles.measured()
    rng = np.random.default_rng(1)
    kelvin, tint, ev = rng.uniform(2500, 9000, 20), rng.uniform(-30, 30, 20), rng.uniform(-1, 1, 20)
    camera = rng.uniform(0.1, 0.9, (20, 3))
    together = render(both, camera, kelvin, tint, ev)
    for i in range(20):
        np.testing.assert_allclose(together[i], render(both, camera[i], kelvin[i], tint[i], ev[i]), rtol=1e-12)
    assert apply(xyz_from_camera(both, kelvin, tint)[:, None], rng.uniform(0.1, 1, (20, 7, 3))).shape == (20, 7, 3)


@pytest.mark.parametrize("bad", [(0.0, 1.0, 0.5), (-0.1, 1.0, 0.5), (np.nan, 1.0, 0.5), (np.inf, 1.0, 0.5)])
def test_a_neutral_that_cannot_be_is_nan_and_leaves_its_neighbours_alone(bad: tuple[float, ...]) -> None:
    both = profiles.measured()
    good = neutral_from_white(both, 4000, 5)
    kelvin, tint = white_from_neutral(both, np.array([good, bad, good]))
    assert np.isnan(kelvin[1])
    assert np.isnan(tint[1])
    np.testing.assert_allclose(kelvin[[0, 2]], 4000)


def test_the_scale_of_a_neutral_does_not_matter() -> None:
    both = profiles.measured()
    n = neutral_from_white(both, 3300, -8)
    mired, tint = mired_tint_from_neutral(both, np.stack([n, 0.01 * n, 40 * n]))
    np.testing.assert_allclose(mired, 1e6 / 3300)
    np.testing.assert_allclose(tint, -8)


def test_an_empty_profile_is_refused() -> None:
    with pytest.raises(ValueError, match="no calibration"):
        xyz_from_camera(CameraProfile(()), 5000, 0)


def test_a_large_neutral_channel_that_changes_keeps_the_level_convention() -> None:
    # Below some 3000 K red is the largest channel, above it green: white stays at Y = 1 on both sides.
    both = profiles.measured()
    kelvin = np.linspace(2000, 9000, 60)
    n = neutral_from_white(both, kelvin, 0.0)
    assert len(set(n.argmax(axis=-1))) > 1
    np.testing.assert_allclose(render(both, n, kelvin, 0.0, 0.0)[:, 1], 1, atol=1e-12)
    np.testing.assert_allclose(xy_from_xyz(render(both, n, kelvin, 0.0, 0.0)), np.tile(xy_from_xyz(XYZ_D50), (60, 1)))
