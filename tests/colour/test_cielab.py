"""CIELAB and CIEDE2000 against Sharma's pairs and colour-science."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from tests.colour.reference import colour_science
from xmpsync.colour.adaptation import XYZ_D50
from xmpsync.colour.cielab import delta_e00, lab_from_xyz_d50, skin_difference, xyz_d50_from_lab

# Sharma, Wu & Dalal (2005), Color Res. Appl. 30, 21, table 1: 34 pairs, differences printed to 4 digits.
SHARMA = Path(__file__).parent / "sharma_2005_table_1.csv"
labs = hnp.arrays(float, (6, 3), elements=st.floats(-100, 100)).map(lambda a: np.abs(a) * [1, 0, 0] + a * [0, 1, 1])


def test_all_34_pairs_of_sharma_come_out_as_printed() -> None:
    with SHARMA.open(encoding="ascii", newline="") as file:
        rows = np.array([[float(v) for v in row.values()] for row in csv.DictReader(file)])
    assert len(rows) == 34
    np.testing.assert_allclose(delta_e00(rows[:, 1:4], rows[:, 4:7]), rows[:, 7], atol=1e-4)
    np.testing.assert_allclose(delta_e00(rows[:, 4:7], rows[:, 1:4]), rows[:, 7], atol=1e-4)


@given(labs, labs)
def test_agrees_with_colour_science(a: np.ndarray, b: np.ndarray) -> None:
    np.testing.assert_allclose(delta_e00(a, b), colour_science().delta_E(a, b, method="CIE 2000"), atol=1e-6)


@given(labs, labs)
def test_is_symmetric_and_zero_only_for_equal_colours(a: np.ndarray, b: np.ndarray) -> None:
    np.testing.assert_allclose(delta_e00(a, b), delta_e00(b, a), atol=1e-9)
    np.testing.assert_allclose(delta_e00(a, a), 0, atol=1e-9)


@given(hnp.arrays(float, (5, 3), elements=st.floats(0, 1.5)))
def test_lab_agrees_with_colour_science_and_comes_back(xyz: np.ndarray) -> None:
    theirs = colour_science().XYZ_to_Lab(xyz, illuminant=np.array([0.3457, 0.3585]))
    np.testing.assert_allclose(lab_from_xyz_d50(xyz), theirs, atol=1e-9)
    np.testing.assert_allclose(xyz_d50_from_lab(lab_from_xyz_d50(xyz)), xyz, atol=1e-12)


def test_white_is_100_0_0() -> None:
    np.testing.assert_allclose(lab_from_xyz_d50(XYZ_D50), [100, 0, 0], atol=1e-12)


@given(st.floats(-3, 3))
def test_brightness_alone_is_level_and_no_difference(ev: float) -> None:
    skin = np.array([0.35, 0.33, 0.22])
    delta, level = skin_difference(skin * 2.0**ev, skin)
    assert delta == pytest.approx(0, abs=1e-9)
    assert level == pytest.approx(ev, abs=1e-12)


def test_the_difference_is_taken_at_the_luminance_of_the_reference() -> None:
    frame, reference = np.array([0.9, 0.8, 0.5]), np.array([0.35, 0.33, 0.22])
    delta, level = skin_difference(frame, reference)
    scaled = frame * reference[1] / frame[1]
    expected = colour_science().delta_E(
        *(colour_science().XYZ_to_Lab(c, illuminant=np.array([0.3457, 0.3585])) for c in (scaled, reference)),
        method="CIE 2000",
    )
    assert delta == pytest.approx(float(expected), abs=1e-6)
    assert level == pytest.approx(np.log2(0.8 / 0.33))


def test_no_light_gives_nan_and_no_warning() -> None:
    delta, level = skin_difference(np.array([[0.0, 0.0, 0.0], [0.3, 0.3, 0.2]]), np.array([0.3, 0.3, 0.2]))
    assert np.isnan(delta[0])
    assert np.isnan(level[0])
    assert delta[1] == pytest.approx(0, abs=1e-9)
