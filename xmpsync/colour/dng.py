"""Camera profiles from DNG colour tags, from a profile file's tags (same numbers), and from a single matrix.

DNG specification 1.7.1, chapters "DNG Tags" and "Mapping Camera Color Space to CIE XYZ Space". Two rules that are
easily missed: camera calibration matrices count only where CameraCalibrationSignature equals
ProfileCalibrationSignature (both empty by default), and calibrations may stand in any order of temperature.
"""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from xmpsync.colour import dng_tags as t
from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.camera import neutral_from_white
from xmpsync.colour.camera_profile import IDENTITY, Calibration, CameraProfile, ProfileSource
from xmpsync.colour.dng_tags import BadColourTags, Tags
from xmpsync.colour.illuminants import OTHER, TEMPERATURE_K, xy_from_illuminant_data
from xmpsync.colour.temperature import temperature_tint_from_xy
from xmpsync.records import Mat3, Vec3

SMALLEST_RECIPROCAL_CONDITION = 1e-6
"""Colour matrices of real cameras have 0.02 to 0.3; below this an inverse is noise."""

SINGLE_TEMPERATURE_K = 5000.0
"""Placeholder for a single calibration whose illuminant is unknown: its temperature is never used."""

LIBRAW_TEMPERATURE_K = 6500.0
"""LibRaw's table holds matrices for D65."""


def profile_from_tags(
    tags: Tags, *, source: ProfileSource = ProfileSource.DNG_TAGS, calibration_tags: Tags | None = None
) -> CameraProfile:
    """The camera profile that DNG tags (number -> value) describe.

    `tags` are those of the first image directory, or of a profile file. For a profile file, `calibration_tags` are
    the DNG's own (AnalogBalance, CameraCalibration and its signature belong to the camera body, not to the profile);
    default: `tags` serves for both.

    BadColourTags, naming the tag, where there is no ColorMatrix1 or a value is invalid (wrong count, not finite,
    singular, negative balance). A second or third calibration without a usable illuminant is left out, as the
    specification has no weight for it.
    """
    body = tags if calibration_tags is None else calibration_tags
    signed = t.text(body, t.CAMERA_CALIBRATION_SIGNATURE) == t.text(tags, t.PROFILE_CALIBRATION_SIGNATURE)
    found: list[tuple[float | None, Calibration]] = []
    for i in range(3):
        colour_matrix = _matrix(tags, t.COLOR_MATRIX[i], f"ColorMatrix{i + 1}")
        if colour_matrix is None:
            if i == 0:
                raise BadColourTags("there is no ColorMatrix1")
            continue
        temperature_k, xy = _illuminant(tags, i)
        calibration = _matrix(body, t.CAMERA_CALIBRATION[i], f"CameraCalibration{i + 1}") if signed else None
        found.append((temperature_k, Calibration(
            temperature_k=SINGLE_TEMPERATURE_K if temperature_k is None else temperature_k,
            camera_from_xyz=colour_matrix,
            xyz_d50_from_balanced=_forward(tags, i),
            camera_calibration=IDENTITY if calibration is None else calibration,
            xy=xy,
        )))  # fmt: skip
    usable = [c for temperature_k, c in found if temperature_k is not None]
    if found[0][0] is None or len({c.temperature_k for c in usable}) < len(usable):
        usable = [found[0][1]]
    balance = t.numbers(body, t.ANALOG_BALANCE, "AnalogBalance", 3)
    if balance is not None and not (balance > 0).all():
        raise BadColourTags("AnalogBalance holds a number that is not positive")
    return CameraProfile(
        calibrations=tuple(sorted(usable, key=lambda c: c.temperature_k)),
        analog_balance=(1.0, 1.0, 1.0) if balance is None else _vec3(balance),
        source=source,
        name=t.text(tags, t.PROFILE_NAME) or t.text(tags, t.UNIQUE_CAMERA_MODEL),
    )


def profile_from_matrix(
    camera_from_xyz_d65: npt.ArrayLike, name: str, source: ProfileSource = ProfileSource.TABLE
) -> CameraProfile:
    """A profile of one daylight matrix (3, 3), any scale, such as LibRaw's table holds. BadColourTags if singular."""
    matrix = np.asarray(camera_from_xyz_d65, float)
    if matrix.shape != (3, 3):
        raise BadColourTags(f"the camera matrix has the shape {matrix.shape} instead of (3, 3)")
    return CameraProfile((Calibration(LIBRAW_TEMPERATURE_K, _checked(matrix, "the camera matrix")),), (1.0, 1.0, 1.0),
                         source, name)  # fmt: skip


def as_shot_neutral(tags: Tags, profile: CameraProfile) -> Vec3 | None:
    """The camera neutral at capture, largest channel 1: AsShotNeutral, or AsShotWhiteXY through the profile.

    None where the file has neither. BadColourTags where a value is not positive or not possible.
    """
    neutral = t.numbers(tags, t.AS_SHOT_NEUTRAL, "AsShotNeutral", 3)
    if neutral is not None:
        if not (neutral > 0).all():
            raise BadColourTags("AsShotNeutral holds a number that is not positive")
        return _vec3(neutral / neutral.max())
    xy = t.numbers(tags, t.AS_SHOT_WHITE_XY, "AsShotWhiteXY", 2)
    if xy is None:
        return None
    if not (xy > 0).all() or xy.sum() >= 1:
        raise BadColourTags("AsShotWhiteXY is not a possible chromaticity")
    neutral = neutral_from_white(profile, *temperature_tint_from_xy(xy))
    if not (neutral > 0).all():
        raise BadColourTags("AsShotWhiteXY gives a camera neutral that is not positive")
    return _vec3(neutral)


def baseline_exposure_ev(tags: Tags, profile_tags: Tags | None = None) -> float:
    """BaselineExposure plus the profile's BaselineExposureOffset (EV), 0 where absent."""
    base = t.numbers(tags, t.BASELINE_EXPOSURE, "BaselineExposure", 1)
    offset = t.numbers(
        tags if profile_tags is None else profile_tags, t.BASELINE_EXPOSURE_OFFSET, "BaselineExposureOffset", 1
    )
    return float((0.0 if base is None else base[0]) + (0.0 if offset is None else offset[0]))


def is_for_camera(profile_tags: Tags, make: str, model: str, unique_camera_model: str = "") -> bool:
    """True where a profile's UniqueCameraModel is this camera's: its own UniqueCameraModel, or Exif make and model.

    Letters' case, punctuation and words of a company's form ("Corporation") do not count; nor does a make that the
    model already begins with. A profile that names no model fits none.
    """
    wanted = _words(t.text(profile_tags, t.UNIQUE_CAMERA_MODEL))
    if not wanted:
        return False
    model_words, make_words = _words(model), _words(make)
    named = {tuple(_words(unique_camera_model)), tuple(model_words)}
    named.add(tuple(make_words + model_words))
    if make_words:
        named.add((make_words[0], *model_words))
    return tuple(wanted) in named - {()}


_COMPANY = {"corporation", "corp", "company", "co", "ltd", "inc", "optical", "imaging", "camera", "ag"}


def _words(name: str) -> list[str]:
    return [word for word in re.findall(r"[a-z0-9]+", name.casefold()) if word not in _COMPANY]


def calibration_temperature_k(tags: Tags, i: int) -> float:
    """Colour temperature of calibration i (0, 1, 2), that of an unknown illuminant where the tags do not give it."""
    temperature_k, _ = _illuminant(tags, i)
    return SINGLE_TEMPERATURE_K if temperature_k is None else temperature_k


def _illuminant(tags: Tags, i: int) -> tuple[float | None, tuple[float, float] | None]:
    code = t.numbers(tags, t.CALIBRATION_ILLUMINANT[i], f"CalibrationIlluminant{i + 1}", 1)
    if code is None:
        return None, None
    if int(code[0]) != OTHER:
        return TEMPERATURE_K.get(int(code[0])), None
    data = tags.get(t.ILLUMINANT_DATA[i])
    if data is None:
        return None, None
    raw = bytes(np.asarray(data, np.uint8)) if not isinstance(data, bytes) else data
    xy = xy_from_illuminant_data(raw, f"IlluminantData{i + 1}")
    temperature_k, _ = temperature_tint_from_xy(xy)
    return float(temperature_k), xy


def _forward(tags: Tags, i: int) -> Mat3 | None:
    matrix = _matrix(tags, t.FORWARD_MATRIX[i], f"ForwardMatrix{i + 1}")
    if matrix is not None and not (np.array(matrix).sum(axis=1) > 0).all():
        raise BadColourTags(f"ForwardMatrix{i + 1} has a row whose sum is not positive: it cannot send white to D50")
    return matrix


def _matrix(tags: Tags, tag: int, name: str) -> Mat3 | None:
    values = t.numbers(tags, tag, name, 9)
    return None if values is None else _checked(values.reshape(3, 3), name)


def _checked(matrix: FloatArray, name: str) -> Mat3:
    singular = np.linalg.svd(matrix, compute_uv=False) if np.isfinite(matrix).all() else np.zeros(3)
    if singular[-1] <= SMALLEST_RECIPROCAL_CONDITION * singular[0]:
        raise BadColourTags(f"{name} is singular")
    a, b, c = (_vec3(row) for row in matrix)
    return a, b, c


def _vec3(values: FloatArray) -> Vec3:
    a, b, c = (float(v) for v in values)
    return a, b, c
