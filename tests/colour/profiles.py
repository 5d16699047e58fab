"""Camera profiles for the tests: least squares fits of measured sensitivities to a measured chart (colour-science)."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from tests.colour.by_the_book import D50, Camera
from tests.colour.reference import colour_science
from xmpsync.colour.camera_profile import Calibration, CameraProfile, ProfileSource

NM = np.arange(400.0, 701.0, 10.0)


def _at(distribution) -> np.ndarray:  # type: ignore[no-untyped-def]
    return np.interp(NM, distribution.wavelengths, np.asarray(distribution.values, float))


def _channels(functions) -> np.ndarray:  # type: ignore[no-untyped-def]
    return np.stack([np.interp(NM, functions.wavelengths, functions.values[:, i]) for i in range(3)], -1)


def light(name: str) -> np.ndarray:
    return _at(colour_science().SDS_ILLUMINANTS[name])


def chart() -> np.ndarray:
    return np.stack([_at(sd) for sd in colour_science().SDS_COLOURCHECKERS["BabelColor Average"].values()])


def sensitivity(name: str = "Nikon 5100 (NPL)") -> np.ndarray:
    return _channels(colour_science().MSDS_CAMERA_SENSITIVITIES[name])


def observer() -> np.ndarray:
    return _channels(colour_science().MSDS_CMFS["CIE 1931 2 Degree Standard Observer"])


def _fit(a: np.ndarray, b: np.ndarray) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(map(float, row)) for row in np.linalg.lstsq(a, b, rcond=None)[0].T)


@lru_cache(maxsize=8)
def measured(name: str = "Nikon 5100 (NPL)") -> CameraProfile:
    """Two calibrations (A, D65) with forward matrices, camera calibration and analog balance unlike 1."""
    s, calibrations = sensitivity(name), []
    d50 = chart() * light("D50") @ observer()
    d50 = d50 / (light("D50") @ observer()) * D50
    for temperature_k, illuminant, off in ((2850.0, "A", 0.01), (6500.0, "D65", -0.008)):
        e = light(illuminant)
        level = e @ observer()[:, 1]
        camera, xyz = chart() * e @ s / level, chart() * e @ observer() / level
        white = (e @ s) / level
        calibrations.append(Calibration(
            temperature_k, _fit(xyz, camera), _fit(camera / white, d50),
            ((1.0 + off, 0.002, 0.0), (0.001, 1.0, -0.001), (0.0, 0.003, 1.0 - off)),
        ))  # fmt: skip
    return CameraProfile(tuple(calibrations), (1.02, 1.0, 0.97), ProfileSource.DNG_TAGS, name)


def without_forward(profile: CameraProfile) -> CameraProfile:
    return replace(profile, calibrations=tuple(replace(c, xyz_d50_from_balanced=None) for c in profile.calibrations))


def single(profile: CameraProfile, i: int) -> CameraProfile:
    return replace(profile, calibrations=(profile.calibrations[i],))


def triple(profile: CameraProfile) -> CameraProfile:
    """A third calibration between the two: the specification's triple-illuminant profile."""
    warm, cool = profile.calibrations

    def mean(a, b):  # type: ignore[no-untyped-def]
        return None if a is None else tuple(map(tuple, (0.45 * np.array(a) + 0.55 * np.array(b)).tolist()))

    middle = Calibration(4150.0, mean(warm.camera_from_xyz, cool.camera_from_xyz),
                         mean(warm.xyz_d50_from_balanced, cool.xyz_d50_from_balanced),
                         mean(warm.camera_calibration, cool.camera_calibration))  # fmt: skip
    return replace(profile, calibrations=(warm, middle, cool))


def kinds() -> dict[str, CameraProfile]:
    both = measured()
    bare = without_forward(both)
    return {
        "two calibrations with forward matrices": both,
        "two calibrations": bare,
        "one daylight calibration": single(bare, 1),
        "one tungsten calibration with forward matrix": single(both, 0),
        "three calibrations with forward matrices": triple(both),
        "three calibrations": triple(bare),
        "another sensor": measured("Sigma SDMerill (NPL)"),
        "another sensor without forward matrices": without_forward(measured("Sigma SDMerill (NPL)")),
    }


def by_the_book(profile: CameraProfile) -> Camera:
    c = profile.calibrations
    forward = None if c[0].xyz_d50_from_balanced is None else [np.array(k.xyz_d50_from_balanced) for k in c]
    return Camera(
        [k.temperature_k for k in c],
        [np.array(k.camera_from_xyz) for k in c],
        [np.array(k.camera_calibration) for k in c],
        profile.analog_balance,
        forward,
    )
