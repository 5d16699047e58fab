"""Vectors of one person lie near each other, of another far; a bad face says that it says little."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from xmpsync.faces.balance import picture_for_detection
from xmpsync.faces.detector import Detector
from xmpsync.faces.identity import CHIP_PX, Identity, Known, chip, distance, similarity
from xmpsync.faces.mesh import Mesh
from xmpsync.faces.quality import QualitySettings
from xmpsync.faces.records import Picture
from xmpsync.solve.likeness import usual_sd

from .conftest import Portrait


@pytest.fixture(scope="module")
def identity() -> Identity:
    return Identity()


def _known(picture: Picture, detector: Detector, mesh: Mesh, identity: Identity) -> Known:
    best = max(detector.look(picture), key=lambda d: d.score)
    (known,) = identity.known(picture, [mesh.fit(picture, best)])
    return known


def test_one_woman_is_near_and_another_far(
    collins: Portrait, hopper: Portrait, detector: Detector, mesh: Mesh, identity: Identity
) -> None:
    pictures = [p.picture for p in (collins, collins.mirrored(), hopper, hopper.mirrored())]
    vectors = [_known(p, detector, mesh, identity).vector for p in pictures]
    assert all(len(v) == 128 for v in vectors)
    # 0.6 is the threshold that the model's author publishes with it
    assert distance(vectors[0], vectors[1]) < 0.5 and distance(vectors[2], vectors[3]) < 0.5
    assert min(distance(vectors[i], vectors[j]) for i in (0, 1) for j in (2, 3)) > 0.6


def test_a_batch_gives_what_single_faces_give(collins: Portrait, detector: Detector, mesh: Mesh) -> None:
    identity, picture = Identity(), collins.picture
    fit = mesh.fit(picture, max(detector.look(picture), key=lambda d: d.score))
    one, (a, b) = identity.known(picture, [fit]), identity.known(picture, [fit, fit])
    assert np.allclose(one[0].vector, a.vector, atol=1e-5) and a == b
    assert identity.known(picture, []) == ()


def test_small_dark_noisy_and_blurred_faces_expect_to_lie_further_off(
    collins: Portrait, detector: Detector, mesh: Mesh, identity: Identity
) -> None:
    good = _known(collins.picture, detector, mesh, identity)
    rng = np.random.default_rng(1)
    small = np.asarray(Image.fromarray(collins.picture).resize((128, 128), Image.Resampling.BOX))  # a face of 29 px
    linear = ((small / 255.0 + 0.055) / 1.055) ** 2.4 / 4  # 2 EV under
    electrons = 60000 / 64 * 8  # ISO 6400: full well of ISO 100 over 64; eight photosites a pixel
    noisy = np.clip(linear + rng.normal(size=linear.shape) * np.sqrt(linear / electrons + (4 / electrons) ** 2), 0, 1)
    bad = _known(picture_for_detection(noisy, (1.0, 1.0, 1.0)), detector, mesh, identity)
    assert good.sd < 0.36
    assert bad.sd > good.sd + 0.1
    assert distance(good.vector, bad.vector) < 2.5 * bad.sd


def test_the_chip_holds_the_points_where_the_mean_face_has_them(
    hopper: Portrait, detector: Detector, mesh: Mesh
) -> None:
    """Pupils: between the eye corners of the mean face, 0.215-0.23 of its height (dlib's mean face)."""
    fit = mesh.fit(hopper.picture, max(detector.look(hopper.picture), key=lambda d: d.score))
    made = chip(hopper.picture, fit)
    assert made.shape == (CHIP_PX, CHIP_PX, 3)
    again = mesh.fit(made, max(detector.look(made), key=lambda d: d.score))
    eyes = [again.points[list(pair)].mean(axis=0) for pair in ((33, 133), (263, 362))]
    expected = [((x + 0.25) / 1.5, (0.221 + 0.25) / 1.5) for x in (0.227, 0.753)]
    assert np.allclose(eyes, expected, atol=0.03)  # the mesh wanders by 1-2 % of the face


def test_a_similarity_is_found_again() -> None:
    rng = np.random.default_rng(2)
    points = rng.normal(size=(5, 2))
    matrix = np.array([[1.2, -0.5, 3.0], [0.5, 1.2, -7.0]])
    assert np.allclose(similarity(points, points @ matrix[:, :2].T + matrix[:, 2]), matrix)


def test_a_good_face_means_the_same_to_finder_and_solver() -> None:
    assert QualitySettings().good == usual_sd()
