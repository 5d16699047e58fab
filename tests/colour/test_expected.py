"""The averages that complete a lone table matrix."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.colour import profiles
from xmpsync.colour.adaptation import XYZ_D50
from xmpsync.colour.blend import stack
from xmpsync.colour.camera import white_from_neutral
from xmpsync.colour.camera_profile import ProfileSource
from xmpsync.colour.dng import profile_from_matrix
from xmpsync.colour.expected import expected_profile
from xmpsync.colour.expected_table import FORWARD_COOL, FORWARD_WARM, R_COVARIANCE_1E6

BOTH = profiles.measured()
COOL = BOTH.calibrations[1].camera_from_xyz


def test_the_printed_table_keeps_what_it_must() -> None:
    for forward in (FORWARD_WARM, FORWARD_COOL):
        np.testing.assert_allclose(np.array(forward).sum(axis=1), 1, atol=2e-4)  # four digits: white stays white
    covariance = np.array(R_COVARIANCE_1E6)
    np.testing.assert_array_equal(covariance, covariance.T)
    assert (np.linalg.eigvalsh(covariance) > 0).all()


def test_a_table_matrix_gets_two_calibrations_and_forward_matrices() -> None:
    profile = expected_profile(profile_from_matrix(COOL, "body"))
    assert [c.temperature_k for c in profile.calibrations] == [2850.0, 6500.0]
    assert profile.calibrations[1].camera_from_xyz == COOL
    assert profile.source is ProfileSource.TABLE
    forward = stack(profile).xyz_d50_from_balanced
    assert forward is not None
    np.testing.assert_allclose(forward.sum(axis=-1), np.tile(XYZ_D50, (2, 1)), atol=1e-12)


def test_profiles_that_a_file_brings_are_left_alone() -> None:
    assert expected_profile(BOTH) is BOTH
    one = replace(profiles.single(BOTH, 1), source=ProfileSource.DNG_TAGS)
    assert expected_profile(one) is one


@pytest.mark.parametrize("light", ["A", "D55", "D65"])
def test_lamps_read_nearer_to_their_nominal_temperature_than_with_the_table_alone(light: str) -> None:
    # CIE 015 nominal temperatures. The camera (NPL's measurement in colour-science) has its part in the averages.
    nominal = {"A": 2856, "D55": 5503, "D65": 6504}[light]
    s = profiles.sensitivity() * np.array(BOTH.analog_balance)
    table = profile_from_matrix(np.array(COOL) * np.array(BOTH.analog_balance)[:, None], "body")
    off = [abs(1e6 / white_from_neutral(p, profiles.light(light) @ s)[0] - 1e6 / nominal)
           for p in (expected_profile(table), table)]  # fmt: skip
    assert off[0] <= off[1] + 2
    assert off[0] < 15
