"""Predicted noise against what repeated exposures scatter; structure of the covariance."""

from __future__ import annotations

import numpy as np
import pytest

from tests.skin.scenes import BODY, SIZE, cells, face_places, grid, textured
from xmpsync.skin.bins import bin_cells
from xmpsync.skin.covariance import estimate_mean
from xmpsync.skin.gather import gather
from xmpsync.skin.measure import measure_face
from xmpsync.skin.records import FaceSkin
from xmpsync.skin.settings import SkinSettings


def _measured(scene: np.ndarray, seed: int, iso: float) -> FaceSkin:
    face = measure_face(cells(scene, np.random.default_rng(seed), iso), face_places(), neutral=(0.5, 1.0, 0.6))
    assert isinstance(face, FaceSkin)
    return face


def test_noise_of_a_mean_is_what_repeated_exposures_scatter() -> None:
    scene = np.broadcast_to(BODY * 0.3, (SIZE, SIZE, 3))
    logs, predicted = [], []
    for seed in range(120):
        evidence = gather(cells(scene, np.random.default_rng(seed), 3200), face_places(), SkinSettings())
        estimate = estimate_mean(evidence, np.arange(60), SkinSettings())
        logs.append(np.log(estimate.camera))
        predicted.append(np.diag(estimate.noise))
    # 120 draws know a standard deviation to 6.5 per cent; three times that
    np.testing.assert_allclose(np.std(logs, axis=0), np.sqrt(np.mean(predicted, axis=0)), rtol=0.2)


def test_scatter_of_a_whole_face_stays_within_its_predicted_sd() -> None:
    rng = np.random.default_rng(0)
    x, _ = grid()
    scene = textured(BODY * 0.1, SIZE, rng) * (0.8 + 0.4 * x)[..., None]
    faces = [_measured(scene, seed, 6400) for seed in range(40)]
    scatter = np.std([np.log(f.camera) for f in faces], axis=0)
    predicted = np.sqrt(np.mean([np.diag(f.log_covariance) for f in faces], axis=0))
    assert (scatter < 1.2 * predicted).all()
    assert (scatter > 0.05 * predicted).all()


def test_covariance_is_positive_and_grows_with_noise() -> None:
    rng = np.random.default_rng(1)
    scene = textured(BODY * 0.1, SIZE, rng)
    quiet, noisy = (np.asarray(_measured(scene, 5, iso).log_covariance) for iso in (100, 6400))
    for covariance in (quiet, noisy):
        assert np.linalg.eigvalsh(covariance).min() > 0
        np.testing.assert_allclose(covariance, covariance.T, atol=1e-15)
    assert np.diag(noisy).min() > np.diag(quiet).max()


def test_binning_keeps_the_mean_and_divides_the_variance() -> None:
    rng = np.random.default_rng(2)
    whole = cells(textured(BODY, 200, rng), rng)
    bins = bin_cells(whole, 50)
    assert bins.cells_per_bin == 16
    np.testing.assert_allclose(bins.camera.mean(axis=(0, 1)), whole.camera.mean(axis=(0, 1)), rtol=1e-5)
    one = bin_cells(whole, 200)
    assert bins.variance.mean() == pytest.approx(one.variance.mean() / 16, rel=1e-3)
