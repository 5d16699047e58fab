"""Temperature and tint against CIE nominal temperatures and colour-science's Robertson functions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.colour.reference import colour_science
from xmpsync.colour.temperature import (
    mired_tint_from_xy,
    temperature_tint_from_xy,
    uv_from_xy,
    xy_derivative,
    xy_from_mired_tint,
    xy_from_temperature_tint,
    xy_from_uv,
)

# CIE 015, nominal correlated colour temperatures of the illuminants.
NOMINAL_K = {"A": 2856, "D50": 5003, "D55": 5503, "D65": 6504, "D75": 7504, "FL2": 4230, "FL11": 4000}


def _cie_xy(name: str) -> np.ndarray:
    return np.array(colour_science().CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][name])


@pytest.mark.parametrize("name", NOMINAL_K)
def test_cie_illuminants_come_within_10_kelvin_of_their_nominal_temperature(name: str) -> None:
    temperature_k, _ = temperature_tint_from_xy(_cie_xy(name))
    assert temperature_k == pytest.approx(NOMINAL_K[name], abs=10)


# Regression values of the method at the chromaticities of CIE 015: computed, not published.
@pytest.mark.parametrize(
    ("name", "temperature_k", "tint"),
    [
        ("A", 2855.6, 0.0), ("D50", 5000.7, 9.6), ("D65", 6503.7, 9.8), ("D75", 7504.8, 9.7),
        ("E", 5454.0, -13.0), ("FL2", 4222.7, 5.6), ("FL11", 3999.6, 0.2),
    ],
)  # fmt: skip
def test_values_of_the_method_stay_what_they_were(name: str, temperature_k: float, tint: float) -> None:
    found_k, found_tint = temperature_tint_from_xy(_cie_xy(name))
    assert found_k == pytest.approx(temperature_k, abs=1.0)
    assert found_tint == pytest.approx(tint, abs=0.1)


def test_daylight_lies_above_the_planckian_locus_and_so_has_positive_tint() -> None:
    # CIE 015: the daylight locus runs on the green side of the Planckian locus.
    colour = colour_science()
    kelvin = np.arange(4500, 12000, 500)
    xy = np.array([colour.temperature.CCT_to_xy_CIE_D(k) for k in kelvin])
    assert (temperature_tint_from_xy(xy)[1] > 5).all()


def test_planckian_radiators_have_their_temperature_and_no_tint() -> None:
    # Planck's law through the CIE observer, colour-science's own locus; Robertson's table is good to about 0.1 mired.
    colour = colour_science()
    kelvin = np.array([2000.0, 2500, 3200, 4000, 5000, 6500, 8000, 12000, 25000])
    uv = np.array([colour.temperature.CCT_to_uv_Planck1900(k) for k in kelvin])
    mired, tint = mired_tint_from_xy(xy_from_uv(uv))
    np.testing.assert_allclose(mired, 1e6 / kelvin, atol=0.6)
    np.testing.assert_allclose(tint, 0, atol=0.5)


def test_agrees_with_colour_science_over_the_range_of_the_fields() -> None:
    colour = colour_science()
    kelvin, tint = (a.ravel() for a in np.meshgrid(1e6 / np.linspace(20, 500, 200), np.linspace(-150, 150, 61)))
    theirs = colour.temperature.CCT_to_uv_Robertson1968(np.stack([kelvin, tint / 3000], -1))
    ours = uv_from_xy(xy_from_temperature_tint(kelvin, tint))
    np.testing.assert_allclose(ours, theirs, atol=1e-12)
    back = colour.temperature.uv_to_CCT_Robertson1968(theirs)
    mired, tint_back = mired_tint_from_xy(xy_from_uv(theirs))
    # Robertson's inverse interpolates by distances: 0.0013 mired from the exact inverse at most.
    np.testing.assert_allclose(mired, 1e6 / back[:, 0], atol=0.002)
    np.testing.assert_allclose(tint_back, back[:, 1] * 3000, atol=1e-3)


@given(st.floats(-60, 750), st.floats(-250, 250))
def test_xy_and_back_is_exact_far_beyond_the_fields_of_a_sidecar(mired: float, tint: float) -> None:
    back_mired, back_tint = mired_tint_from_xy(xy_from_mired_tint(mired, tint))
    assert back_mired == pytest.approx(mired, abs=1e-6)
    assert back_tint == pytest.approx(tint, abs=1e-6)


@given(st.floats(-50, 700), st.floats(-200, 200))
def test_analytic_derivatives_agree_with_differences(mired: float, tint: float) -> None:
    h = 1e-4
    at = xy_derivative(mired, tint)
    # Not across a line of the table, where the derivative has a kink.
    lines = np.concatenate([np.arange(0, 100, 10), np.arange(100, 601, 25)])
    if np.abs(lines - mired).min() > 2 * h:
        numeric = (xy_from_mired_tint(mired + h, tint) - xy_from_mired_tint(mired - h, tint)) / (2 * h)
        np.testing.assert_allclose(at.by_mired, numeric, atol=1e-8)
    numeric = (xy_from_mired_tint(mired, tint + h) - xy_from_mired_tint(mired, tint - h)) / (2 * h)
    np.testing.assert_allclose(at.by_tint, numeric, atol=1e-8)
    np.testing.assert_allclose(at.xy, xy_from_mired_tint(mired, tint), atol=1e-15)


def test_the_corrected_entry_of_the_table_is_in_use() -> None:
    # Wyszecki & Stiles misprint u = 0.24702 at 325 mired; the corrected locus is smooth (small second difference).
    u = uv_from_xy(xy_from_mired_tint(np.array([300.0, 325, 350]), 0.0))[:, 0]
    assert abs(u[0] - 2 * u[1] + u[2]) < 3e-4
    assert u[1] == pytest.approx(0.24792, abs=1e-12)


def test_shapes_follow_the_leading_axes_and_nan_stays_nan() -> None:
    xy = xy_from_temperature_tint(np.full((2, 3, 4), 5000.0), 10.0)
    assert xy.shape == (2, 3, 4, 2)
    temperature_k, tint = temperature_tint_from_xy(xy)
    assert temperature_k.shape == tint.shape == (2, 3, 4)
    temperature_k, tint = temperature_tint_from_xy(np.array([np.nan, 0.3]))
    assert np.isnan(temperature_k)
    assert np.isnan(tint)


def test_bluer_than_every_temperature_is_a_huge_finite_number() -> None:
    temperature_k, tint = temperature_tint_from_xy(np.array([0.22, 0.22]))
    assert temperature_k == pytest.approx(1e9)
    assert np.isfinite(tint)
