"""Lights, skin and cameras of the demo against published data."""

from __future__ import annotations

import colour
import numpy as np
import pytest

from demo_shoot.dng_model import temperature_tint_from_xy
from demo_shoot.people import CHOIR
from demo_shoot.skin_model import skin_reflectance
from demo_shoot.spectra import (
    CAMERAS,
    WAVELENGTH_NM,
    bands,
    blended,
    camera_matrices,
    camera_response,
    chart,
    cie_light,
    daylight,
    flat_reflectance,
    matching_functions,
    planckian,
    sensitivity,
)


def _xy(light: np.ndarray) -> np.ndarray:
    xyz = light @ matching_functions()
    return xyz[:2] / xyz.sum()


def _lab_d65(reflectance: np.ndarray) -> np.ndarray:
    white = cie_light("D65") @ matching_functions()
    xyz = (reflectance * cie_light("D65")) @ matching_functions() / white[1]
    return np.asarray(colour.XYZ_to_Lab(xyz, _xy(cie_light("D65"))))


def _ita(reflectance: np.ndarray) -> float:
    lightness, _, b = _lab_d65(reflectance)
    return float(np.degrees(np.arctan2(lightness - 50.0, b)))


def test_daylight_and_radiators_have_their_temperature() -> None:
    # D65 by the series of CIE 015 equals its own table
    np.testing.assert_allclose(daylight(6500.0), cie_light("D65"), atol=1e-3 * cie_light("D65").max())
    np.testing.assert_allclose(_xy(planckian(2855.5)), [0.44758, 0.40745], atol=2e-4)  # CIE 015: illuminant A
    for kelvin in (1900.0, 2700.0, 3400.0):
        # Robertson's table is coarse at low temperatures: some kelvin
        assert temperature_tint_from_xy(_xy(planckian(kelvin)))[0] == pytest.approx(kelvin, rel=0.004)


def test_every_light_has_luminance_one() -> None:
    lights = [
        cie_light("A"),
        daylight(9000),
        planckian(1950),
        bands((455, 22, 1)),
        blended((1, planckian(1950)), (3, daylight(5000))),
    ]
    for light in lights:
        assert float(light @ matching_functions()[:, 1]) == pytest.approx(1.0)


def test_the_choir_spans_the_published_classes_of_skin() -> None:
    # ITA classes (Chardon 1991, Del Bino 2013): very light > 55, light 41-55, intermediate 28-41, tan 10-28,
    # brown -30-10, dark < -30 degrees
    angles = [_ita(skin_reflectance(WAVELENGTH_NM, m.melanin, m.blood)) for m in CHOIR]
    assert angles == sorted(angles, reverse=True)
    classes = {int(np.searchsorted([-30, 10, 28, 41, 55], angle)) for angle in angles}
    assert len(classes) >= 4
    assert max(angles) > 41 and min(angles) < 0


def test_light_skin_shows_the_double_dip_of_oxygenated_blood() -> None:
    # oxyhaemoglobin absorbs most near 542 and 577 nm, less at 560 (Prahl's compilation)
    fine = np.arange(500.0, 700.0, 1.0)
    skin = skin_reflectance(fine, 0.015, 0.015, oxygenation=0.9)
    at = dict(zip(fine, skin, strict=True))
    assert at[542] < at[560] > at[577]
    assert at[650] > 1.6 * at[577]


def test_more_melanin_is_darker_everywhere_and_more_blood_redder() -> None:
    light, dark = (skin_reflectance(WAVELENGTH_NM, m, 0.012) for m in (0.02, 0.1))
    assert (dark < light).all()
    assert _lab_d65(skin_reflectance(WAVELENGTH_NM, 0.02, 0.03))[1] > _lab_d65(light)[1] + 3


@pytest.mark.parametrize(("patch", "melanin"), [("light skin", (0.004, 0.04)), ("dark skin", (0.06, 0.2))])
def test_the_model_comes_near_the_skin_patches_of_the_colour_chart(patch: str, melanin: tuple[float, float]) -> None:
    # ColorChecker, BabelColor average (colour-science): paints that imitate skin, so near is all one can ask
    data = colour.SDS_COLOURCHECKERS["BabelColor Average"][patch]
    measured = np.interp(WAVELENGTH_NM, data.wavelengths, data.values)
    seen = (WAVELENGTH_NM >= 430) & (WAVELENGTH_NM <= 690)
    errors = [
        np.sqrt(np.mean((skin_reflectance(WAVELENGTH_NM, m, b) - measured)[seen] ** 2))
        for m in np.geomspace(*melanin, 12)
        for b in (0.002, 0.006, 0.012, 0.02)
    ]
    assert min(errors) < 0.06


@pytest.mark.parametrize("camera", CAMERAS[:1])
@pytest.mark.parametrize("light", ["A", "D65"])
def test_camera_matrices_keep_white_and_render_the_chart(camera: str, light: str) -> None:
    body, lamp = sensitivity(camera), cie_light(light)
    matrices = camera_matrices(body, lamp)
    neutral = camera_response(lamp, flat_reflectance(1.0), body)
    white = lamp @ matching_functions()
    np.testing.assert_allclose(matrices.camera_from_xyz @ (white / white[1]), neutral / neutral.max(), atol=1e-9)
    d50 = cie_light("D50") @ matching_functions()
    np.testing.assert_allclose(matrices.xyz_d50_from_balanced.sum(axis=1), d50 / d50[1], atol=1e-9)
    # a measured consumer body renders the chart to 1-3 dE00 by one matrix (common practice)
    balanced = camera_response(lamp, chart(), body) / neutral
    seen = colour.XYZ_to_Lab(balanced @ matrices.xyz_d50_from_balanced.T, _xy(cie_light("D50")))
    true = colour.XYZ_to_Lab((chart() * cie_light("D50")) @ matching_functions() / d50[1], _xy(cie_light("D50")))
    assert np.median(colour.delta_E(seen, true, method="CIE 2000")) < 3.0
