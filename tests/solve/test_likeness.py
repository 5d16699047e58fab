"""Identity evidence is weak where published distances overlap, and never certain."""

from __future__ import annotations

import numpy as np

from xmpsync.solve.likeness import alike, from_frames, log_likelihood_ratio, usual_sd

GOOD = usual_sd()


def test_published_distances_of_one_man_speak_for_one_person_and_of_strangers_against() -> None:
    # pairs of the shipped network: same man 0.33-0.43 (one set), strangers' median 0.81
    assert (log_likelihood_ratio(np.array([0.33, 0.38, 0.43]), GOOD, 1.0) > 1.5).all()
    assert log_likelihood_ratio(0.81, GOOD, 1.0) < -3.0


def test_different_women_of_one_set_are_no_certainty() -> None:
    # pairs of different women often lie at 0.51-0.60
    assert (np.abs(log_likelihood_ratio(np.array([0.51, 0.55, 0.60]), GOOD, 1.0)) < 1.2).all()


def test_a_face_that_is_lost_in_noise_says_nothing() -> None:
    distances = np.linspace(0.2, 1.0, 17)
    assert (np.abs(log_likelihood_ratio(distances, 0.70, 5.0)) < 0.5).all()
    assert (
        np.abs(log_likelihood_ratio(distances, 0.70, 5.0)) < np.abs(log_likelihood_ratio(distances, 0.5, 5.0))
    ).all()


def test_no_distance_is_certain() -> None:
    ratios = log_likelihood_ratio(np.linspace(0.0, 3.0, 61)[:, None], GOOD, np.array([0.1, 1.0, 5.0, 50.0, 1e6]))
    assert ratios.shape == (61, 5) and np.isfinite(ratios).all()
    assert ratios.max() < 5.0 and ratios.min() > -8.0


def test_people_who_look_alike_in_their_frames_take_the_weight_from_likeness() -> None:
    """Rendered heads, children: faces of one frame at 0.3 are different people, so 0.3 proves nothing any more."""
    near, sd = np.full(30, 0.3), np.full(30, GOOD)
    shoot = from_frames(near, sd, sd)
    assert log_likelihood_ratio(0.3, GOOD, 5.0, shoot) < 1.0 < 3.0 < log_likelihood_ratio(0.3, GOOD, 5.0)
    usual = from_frames(np.full(30, 0.81), sd, sd)
    assert log_likelihood_ratio(0.3, GOOD, 5.0, usual) > 3.0
    assert from_frames(near[:0], sd[:0], sd[:0]).shares == from_frames(near[:0], sd[:0], sd[:0]).shares


def test_alike_counts_the_noise_of_few_faces() -> None:
    a, b = np.zeros(128), np.zeros(128)
    b[0] = 0.58
    assert alike(a, b, 1.0, 1.0) and not alike(a, b, 50.0, 50.0)
    assert alike(a[None], np.stack([a, b]), 9.0, 9.0).tolist() == [True, False]
