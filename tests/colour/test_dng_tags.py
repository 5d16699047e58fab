"""Profiles from DNG tags: the rules of the specification, and bad tags that are told."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import pytest

from tests.colour import profiles
from tests.colour.by_the_book import Camera
from tests.colour.reference import colour_science
from xmpsync.colour.camera import neutral_from_white, white_from_neutral, xyz_from_camera
from xmpsync.colour.camera_profile import IDENTITY, ProfileSource
from xmpsync.colour.dng import (
    as_shot_neutral,
    baseline_exposure_ev,
    is_for_camera,
    profile_from_matrix,
    profile_from_tags,
)
from xmpsync.colour.dng_tags import BadColourTags

BOTH = profiles.measured()
WARM, COOL = BOTH.calibrations


def _flat(matrix: Any) -> tuple[float, ...]:
    return tuple(float(v) for row in matrix for v in row)


def _tags(**more: Any) -> dict[int, Any]:
    """Tags of a file with A in slot 1 and D65 in slot 2; numbers as the specification lists them."""
    tags: dict[int, Any] = {
        50708: "Measured Body\0",
        50721: _flat(WARM.camera_from_xyz), 50722: _flat(COOL.camera_from_xyz),
        50723: _flat(WARM.camera_calibration), 50724: _flat(COOL.camera_calibration),
        50964: _flat(WARM.xyz_d50_from_balanced), 50965: _flat(COOL.xyz_d50_from_balanced),
        50727: BOTH.analog_balance, 50778: 17, 50779: 21, 50728: (0.5, 1.0, 0.7),
    }  # fmt: skip
    tags.update({int(k[1:]): v for k, v in more.items()})
    return {k: v for k, v in tags.items() if v is not None}


def _book(temperatures: list[float], order: tuple[int, int] = (0, 1)) -> Camera:
    c = [BOTH.calibrations[i] for i in order]
    return Camera(temperatures, [np.array(k.camera_from_xyz) for k in c], [np.array(k.camera_calibration) for k in c],
                  BOTH.analog_balance, [np.array(k.xyz_d50_from_balanced) for k in c])  # fmt: skip


@pytest.mark.parametrize(("temperature_k", "tint"), [(2500, 5), (3600, -10), (5200, 12), (8000, 0)])
def test_tags_render_as_the_specification_says(temperature_k: float, tint: float) -> None:
    profile = profile_from_tags(_tags())
    book = _book([2850.0, 6500.0])
    np.testing.assert_allclose(neutral_from_white(profile, temperature_k, tint), book.neutral(temperature_k, tint),
                               atol=1e-6)  # fmt: skip
    np.testing.assert_allclose(xyz_from_camera(profile, temperature_k, tint),
                               book.camera_to_xyz_d50(temperature_k, tint), atol=1e-6)  # fmt: skip
    assert profile.source is ProfileSource.DNG_TAGS
    assert profile.name == "Measured Body"


def test_daylight_may_stand_in_the_first_slot() -> None:
    turned = profile_from_tags(
        _tags(_50721=_flat(COOL.camera_from_xyz), _50722=_flat(WARM.camera_from_xyz), _50778=21, _50779=17,
              _50723=_flat(COOL.camera_calibration), _50724=_flat(WARM.camera_calibration),
              _50964=_flat(COOL.xyz_d50_from_balanced), _50965=_flat(WARM.xyz_d50_from_balanced))
    )  # fmt: skip
    assert turned.calibrations == profile_from_tags(_tags()).calibrations
    assert [c.temperature_k for c in turned.calibrations] == [2850.0, 6500.0]


def test_camera_calibration_counts_only_under_its_signature() -> None:
    # DNG 1.7, ProfileCalibrationSignature: if it does not match CameraCalibrationSignature, CC is not used.
    matched = profile_from_tags(_tags(_50931="lab 7", _50932="lab 7\0"))
    assert matched.calibrations[0].camera_calibration == WARM.camera_calibration
    for signatures in ({"_50931": "lab 7"}, {"_50932": "lab 7"}, {"_50931": "a", "_50932": "b"}):
        unmatched = profile_from_tags(_tags(**signatures))
        assert all(c.camera_calibration == IDENTITY for c in unmatched.calibrations)
        assert unmatched.analog_balance == BOTH.analog_balance


def test_a_profile_file_takes_calibration_and_balance_from_the_frame() -> None:
    file = {k: v for k, v in _tags().items() if k not in (50723, 50724, 50727, 50728)}
    profile = profile_from_tags(file, source=ProfileSource.PROFILE_FILE, calibration_tags=_tags(_50721=(1.0,) * 9))
    assert profile.analog_balance == BOTH.analog_balance
    assert profile.calibrations[0].camera_calibration == WARM.camera_calibration
    assert profile.source is ProfileSource.PROFILE_FILE


def test_three_calibrations_are_read_and_sorted() -> None:
    middle = profiles.triple(BOTH).calibrations[1]
    profile = profile_from_tags(_tags(_52531=_flat(middle.camera_from_xyz), _52529=14,
                                      _52532=_flat(middle.xyz_d50_from_balanced)))  # fmt: skip
    assert [c.temperature_k for c in profile.calibrations] == [2850.0, 4150.0, 6500.0]
    kelvin, tint = white_from_neutral(profile, neutral_from_white(profile, 3700, 12))
    assert kelvin == pytest.approx(3700, abs=0.1)
    assert tint == pytest.approx(12, abs=0.01)


@pytest.mark.parametrize("order", "<>")
def test_illuminant_255_takes_its_chromaticity_from_the_data(order: str) -> None:
    # DNG 1.6, IlluminantData1: type 0, then x and y as rationals. Here the chromaticity of D50 (CIE 015).
    data = struct.pack(order + "H4I", 0, 3457, 10000, 3585, 10000)
    profile = profile_from_tags(_tags(_50779=255, _52534=data))
    assert profile.calibrations[1].temperature_k == pytest.approx(5003, abs=10)
    assert profile.calibrations[1].xy == pytest.approx((0.3457, 0.3585))


def test_illuminant_255_may_be_a_spectrum() -> None:
    sd = colour_science().SDS_ILLUMINANTS["D65"]
    nm = np.arange(400, 701, 10)
    values = [round(1000 * float(sd[int(n)])) for n in nm]
    data = struct.pack("<H5I", 1, len(nm), 400, 1, 10, 1) + b"".join(struct.pack("<2I", v, 1000) for v in values)
    profile = profile_from_tags(_tags(_50779=255, _52534=data))
    # CIE 015: D65 is 6504 K; the spectrum was cut to 400-700 nm.
    assert profile.calibrations[1].temperature_k == pytest.approx(6504, abs=60)


def test_a_second_matrix_without_a_usable_illuminant_is_left_out() -> None:
    for illuminant in (None, 0, 99, 255):
        assert len(profile_from_tags(_tags(_50779=illuminant)).calibrations) == 1
    assert len(profile_from_tags(_tags(_50779=17)).calibrations) == 1


def test_as_shot_neutral_comes_from_either_tag() -> None:
    profile = profile_from_tags(_tags())
    assert as_shot_neutral(_tags(_50728=(0.25, 0.5, 0.35)), profile) == pytest.approx((0.5, 1.0, 0.7))
    # CIE 015 D50
    neutral = as_shot_neutral(_tags(_50728=None, _50729=(0.3457, 0.3585)), profile)
    assert neutral is not None
    kelvin, tint = white_from_neutral(profile, neutral)
    assert kelvin == pytest.approx(5000.7, abs=0.2)
    assert tint == pytest.approx(9.56, abs=0.05)
    assert as_shot_neutral(_tags(_50728=None), profile) is None


def test_baseline_exposure_and_its_offset_add_up() -> None:
    assert baseline_exposure_ev(_tags(_50730=0.35)) == pytest.approx(0.35)
    assert baseline_exposure_ev(_tags(_50730=0.35, _51109=-0.1)) == pytest.approx(0.25)
    assert baseline_exposure_ev(_tags(_50730=0.35), {51109: -0.1}) == pytest.approx(0.25)
    assert baseline_exposure_ev(_tags()) == 0


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        ({"_50721": None}, "no ColorMatrix1"),
        ({"_50721": (1.0,) * 9}, "ColorMatrix1 is singular"),
        ({"_50722": (1.0,) * 12}, "ColorMatrix2 holds 12 numbers instead of 9"),
        ({"_50721": (float("nan"),) * 9}, "ColorMatrix1 holds a number that is not finite"),
        ({"_50721": "words"}, "ColorMatrix1 does not hold numbers"),
        ({"_50727": (1.0, 0.0, 1.0)}, "AnalogBalance holds a number that is not positive"),
        ({"_50727": (1.0, 1.0)}, "AnalogBalance holds 2 numbers instead of 3"),
        ({"_50964": (1.0, 0, 0, 0, 1.0, 0, 0.5, 0, -0.6)}, "ForwardMatrix1 has a row whose sum is not positive"),
        ({"_50723": (0.0,) * 9}, "CameraCalibration1 is singular"),
        ({"_50779": 255, "_52534": b"\x07\x07"}, "IlluminantData2 describes no possible light"),
        (
            {"_50779": 255, "_52534": struct.pack("<H4I", 0, 9, 10, 8, 10)},
            "IlluminantData2 describes no possible light",
        ),
        ({"_50779": 255, "_52534": struct.pack("<H4I", 0, 9, 0, 8, 0)}, "IlluminantData2 describes no possible light"),
    ],
)
def test_tags_that_cannot_be_meant_name_themselves(bad: dict[str, Any], words: str) -> None:
    with pytest.raises(BadColourTags, match=words):
        profile_from_tags(_tags(**bad))


@pytest.mark.parametrize(
    "bad", [{"_50728": (0.0, 1.0, 0.5)}, {"_50728": (-1.0, 1.0, 1.0)}, {"_50728": (1.0, 1.0)},
            {"_50728": None, "_50729": (0.6, 0.5)}, {"_50728": None, "_50729": (0.3, 0.0)}]
)  # fmt: skip
def test_a_neutral_that_cannot_be_is_told(bad: dict[str, Any]) -> None:
    with pytest.raises(BadColourTags, match="AsShot"):
        as_shot_neutral(_tags(**bad), profile_from_tags(_tags()))


def test_a_single_matrix_makes_a_daylight_profile_of_any_scale() -> None:
    matrix = np.array(COOL.camera_from_xyz)
    one, thousand = (profile_from_matrix(k * matrix, "body") for k in (1.0, 1000.0))
    assert one.source is ProfileSource.TABLE
    np.testing.assert_allclose(neutral_from_white(one, 4000, 5), neutral_from_white(thousand, 4000, 5))
    with pytest.raises(BadColourTags, match="singular"):
        profile_from_matrix(np.zeros((3, 3)), "body")  # LibRaw gives zeros for a body it does not know
    with pytest.raises(BadColourTags, match="shape"):
        profile_from_matrix(np.zeros((4, 3)), "body")


@pytest.mark.parametrize(
    ("unique", "make", "model", "fits"),
    [
        ("Acme X100", "ACME CORPORATION", "ACME X100", True),
        ("Acme X100", "Acme", "X100", True),
        ("ACME X-100", "Acme", "x 100", True),
        ("Acme X100 II", "Acme", "X100", False),
        ("Acme X100", "Acme", "X100 II", False),
        ("", "Acme", "X100", False),
        ("Acme X100", "", "", False),
    ],
)
def test_a_profile_fits_its_own_camera_only(unique: str, make: str, model: str, fits: bool) -> None:
    assert is_for_camera({50708: unique}, make, model) is fits


def test_a_camera_that_names_itself_is_matched_by_that_name() -> None:
    assert is_for_camera({50708: "Acme X100"}, "", "", "Acme X100")
    assert not is_for_camera({50708: "Acme X100"}, "", "", "Acme X200")
