"""What counts as a colour of skin, held against measured materials (datasets of colour-science) and a skin model."""

from __future__ import annotations

import csv
from pathlib import Path

import colour
import numpy as np
import pytest
from colour.quality.cfi2017 import load_TCS_CIE2017

from benchmarks.skin.cameras import cameras
from benchmarks.skin.lights import lights
from benchmarks.skin.spectra import WAVELENGTH_NM, model_spectra
from xmpsync.colour.camera import render, white_from_neutral
from xmpsync.shoot.bind import skin_like


def _share(reflectances: np.ndarray, light_name: str, d_mired: float = 0.0) -> float:
    """Share of reflectances (n, 31) that pass, seen by a measured camera at a white that is so far off."""
    camera, light = cameras(None)[0], lights()[light_name]
    kelvin, tint = white_from_neutral(camera.profile, camera.see(light, np.ones((1, 31))))
    kelvin = 1e6 / (1e6 / kelvin + d_mired)
    seen = [render(camera.profile, c, float(kelvin[0]), float(tint[0]), 0.0) for c in camera.see(light, reflectances)]
    return float(np.mean([skin_like(xyz) for xyz in seen]))


def _materials() -> dict[str, np.ndarray]:
    """Measured reflectances (n, 31): the 190 patches in colour-science for camera profiles, CIE 224:2017."""
    path = Path(colour.__file__).parent / "characterisation/datasets/rawtoaces/190_Patches.csv"
    rows = [row for row in csv.reader(path.read_text().splitlines()[1:]) if row[0]]
    table = np.array([[float(cell or 0.0) for cell in row] for row in rows])
    patches = np.array([np.interp(WAVELENGTH_NM, table[:, 0], column) for column in table[:, 1:].T])
    samples = load_TCS_CIE2017(colour.SpectralShape(380, 780, 5))
    cie = np.array([np.interp(WAVELENGTH_NM, samples.wavelengths, column) for column in samples.values.T])
    return {"190 patches": patches, "CIE 224:2017": cie}


@pytest.mark.parametrize("light", ["A", "D55", "D75"])
def test_skin_of_every_tone_passes_even_where_the_white_is_somewhat_off(light: str) -> None:
    skins = np.array([s.reflectance for s in model_spectra(8, np.random.default_rng(5))])
    assert _share(skins, light) >= 0.99
    assert np.mean([_share(skins, light, off) for off in (-20.0, 20.0)]) >= 0.95


@pytest.mark.parametrize("light", ["A", "D55", "D75"])
def test_of_other_materials_few_pass(light: str) -> None:
    for name, reflectances in _materials().items():
        assert len(reflectances) >= 99
        assert _share(reflectances, light) <= 0.25, name  # 0.13 and 0.17 when fitted; a rule by hue alone: 0.31


def test_grey_leaves_and_sky_are_not_skin() -> None:
    checker = colour.SDS_COLOURCHECKERS["BabelColor Average"]
    named = {name: np.interp(WAVELENGTH_NM, sd.wavelengths, sd.values) for name, sd in checker.items()}
    assert _share(np.array([named["dark skin"], named["light skin"]]), "D55") == 1.0
    others = np.array(
        [named[name] for name in ("foliage", "blue sky", "neutral 5 (.70 D)", "green", "purple", "yellow")]
    )
    assert _share(others, "D55") == 0.0
