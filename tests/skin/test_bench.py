"""The bench runs on model skin, the tool's estimator beats a plain mean there, and a broken one is caught."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.skin.broken import BROKEN, whole
from benchmarks.skin.cameras import cameras
from benchmarks.skin.lights import lights, mired
from benchmarks.skin.portraits import portraits
from benchmarks.skin.report import calibration, figures
from benchmarks.skin.spectra import (
    ITA_CLASSES,
    WAVELENGTH_NM,
    blood_absorption,
    chromophore_steps,
    ita_class,
    ita_deg,
    model_spectra,
)
from benchmarks.skin.trials import BenchSettings, Measure, Row, run_person


def _rows(measure: Measure) -> list[Row]:
    settings = BenchSettings(frames_per_person=19, mixed_part=0.0, cells_per_px=1.2)
    skin = model_spectra(1, np.random.default_rng(0))[4]
    portrait = portraits()[0]
    return list(run_person(portrait, skin, cameras(None)[0], settings, measure, np.random.default_rng(3)))


def _clean(rows: list[Row]) -> list[Row]:
    return [r for r in rows if not r.mixed and r.delta_e00 is not None and r.iso <= 1600]


@pytest.fixture(scope="module")
def ours() -> list[Row]:
    return _rows(whole)


def test_the_estimator_meets_the_median_on_a_small_bench(ours: list[Row]) -> None:
    clean = _clean(ours)
    assert len(clean) >= 8
    assert np.median([r.delta_e00 for r in clean]) < 0.8
    assert np.median([abs(r.level_ev or 0.0) for r in clean]) < 0.08


def test_a_highlight_picker_misses_what_is_wanted(ours: list[Row]) -> None:
    broken = _rows(BROKEN["brightest"])
    assert np.mean([r.delta_e00 for r in _clean(broken)]) > 1.3 * np.mean([r.delta_e00 for r in _clean(ours)])
    assert not all(figure.met for figure in figures(broken))


def test_a_covariance_that_is_too_small_shows(ours: list[Row]) -> None:
    assert calibration(ours)["median"] < 2.5  # one person: all frames share the error of one reference
    assert calibration(_rows(BROKEN["sure"]))["median"] > 5


def test_model_spectra_reach_every_class() -> None:
    # published bounds of the individual typology angle: Chardon et al. 1991
    spectra = model_spectra(1, np.random.default_rng(1))
    assert [s.tone for s in spectra] == list(ITA_CLASSES)
    for s in spectra:
        assert ita_class(ita_deg(s.reflectance)) == s.tone
    assert (ita_class(56), ita_class(41.5), ita_class(27), ita_class(11), ita_class(0), ita_class(-31)) == (
        "very light", "light", "tan", "tan", "brown", "dark",
    )  # fmt: skip


def test_blood_has_its_two_bands_and_melanin_falls_with_wavelength() -> None:
    # oxyhaemoglobin absorbs at 542 and 576 nm with a dip between (Prahl's tables); melanin as a power law (Jacques)
    blood = dict(zip(WAVELENGTH_NM, blood_absorption(), strict=True))
    assert blood[540] > blood[560] < blood[580]
    assert blood[620] < blood[540] / 10
    melanin, _ = chromophore_steps()
    assert (np.diff(melanin) < 0).all()


def test_lights_have_their_published_temperatures() -> None:
    # CIE 015: A 2856 K, D50 5003 K, D65 6504 K; the bench samples 400-700 nm only, hence 2 mired
    for name, kelvin in (("A", 2856), ("D50", 5003), ("D65", 6504)):
        assert mired(lights()[name]) == pytest.approx(1e6 / kelvin, abs=2)
