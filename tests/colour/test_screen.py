"""Screen bytes against colour-science's sRGB."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from tests.colour.reference import colour_science
from xmpsync.colour.adaptation import XYZ_D50
from xmpsync.colour.screen import SHOULDER, srgb_from_xyz_d50

# IEC 61966-2-1 linear values up to the shoulder.
linear = hnp.arrays(float, (8, 3), elements=st.floats(0, SHOULDER - 0.01))


@given(linear)
def test_below_the_shoulder_bytes_are_those_of_srgb(rgb: np.ndarray) -> None:
    colour = colour_science()
    xyz = colour.RGB_to_XYZ(
        rgb, "sRGB", illuminant=np.array([0.3457, 0.3585]), chromatic_adaptation_transform="Bradford"
    )
    expected = 255 * colour.models.eotf_inverse_sRGB(rgb)
    # The standard's own matrix is rounded to four digits: half a byte of rounding, a quarter for that.
    assert np.abs(srgb_from_xyz_d50(xyz).astype(float) - expected).max() <= 0.76


def test_neutrals_stay_neutral_up_to_far_beyond_white() -> None:
    greys = srgb_from_xyz_d50(np.linspace(0, 20, 400)[:, None] * XYZ_D50)
    assert (np.ptp(greys.astype(int), axis=-1) <= 1).all()
    assert (np.diff(greys[:, 1].astype(int)) >= 0).all()
    assert greys[0].tolist() == [0, 0, 0]
    assert greys[-1].tolist() == [255, 255, 255]


def test_highlights_roll_off_and_keep_a_drawing() -> None:
    one, two = srgb_from_xyz_d50(np.array([1.0, 1.3])[:, None] * XYZ_D50)
    assert 225 < one[1] < two[1] < 255


def test_odd_values_give_bytes_and_no_warning() -> None:
    odd = srgb_from_xyz_d50(np.array([[np.nan, 0.2, 0.1], [-1.0, -1.0, -1.0], [np.inf, 1.0, 1.0]]))
    assert odd.dtype == np.uint8
    assert odd.shape == (3, 3)
