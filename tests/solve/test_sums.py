"""Sums and medians by label, and faces of one frame that contend for a person, against the plain way face by face."""

from __future__ import annotations

import numpy as np
import pytest

from xmpsync.solve.evidence import EXCLUSION_PASSES, responsibilities
from xmpsync.solve.tables import medians, totals


@pytest.fixture
def rng():
    return np.random.default_rng(5)


def test_medians_by_label_are_those_of_numpy_and_nan_where_nothing_counts(rng):
    label = rng.permutation(np.repeat(np.arange(6), (4, 5, 2, 1, 3, 8)))
    values, use = rng.normal(size=(len(label), 2)), label != 4
    use[np.flatnonzero(label == 5)[:2]] = False
    found = medians(values, label, use, 7)
    for g in range(7):
        own = values[use & (label == g)]
        expected = np.median(own, axis=0) if len(own) else np.full(2, np.nan)
        np.testing.assert_array_equal(found[g], expected)


def test_sums_of_nothing_are_floats():
    found = totals(np.zeros(0, dtype=np.intp), np.zeros(0), 3)
    assert found.dtype == np.float64
    assert not found.any()


def test_faces_of_a_frame_yield_to_each_other_as_one_by_one(rng):
    frame = np.array([3, 3, 0, 7, 7, 7, 5, 3, 9, 9])  # one, two and three faces in a frame, not in order
    likelihood = rng.random((4, len(frame))) ** 3 + 1e-3
    found = responsibilities(likelihood, frame)
    base = (likelihood / likelihood.sum(axis=0)).T
    plain = base.copy()
    for _ in range(EXCLUSION_PASSES):
        new = plain.copy()
        for i in range(len(frame)):
            others = [j for j in range(len(frame)) if frame[j] == frame[i] and j != i]
            odds = base[i].copy()
            for j in others:
                odds[:-1] *= 1.0 - plain[j, :-1]
            if others:
                new[i] = 0.5 * (plain[i] + odds / odds.sum())
        plain = new
    np.testing.assert_allclose(found, plain, atol=1e-9)
    np.testing.assert_allclose(found.sum(axis=1), 1.0)
