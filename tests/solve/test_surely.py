"""Which faces count as known: each surely, and of all together at most one in 200 expected to be wrong."""

from __future__ import annotations

import numpy as np
import pytest

from tests.solve.builders import DAY, LAMP, face, frame, reference_frame
from xmpsync.solve.labels import surely
from xmpsync.solve.problem import Reference, Request
from xmpsync.solve.settings import DEFAULT
from xmpsync.solve.tables import build
from xmpsync.solve.ties import adrift


def test_a_face_hardly_sure_is_known_among_sure_ones_and_not_among_others_like_it() -> None:
    few = np.array([0.9999] * 30 + [0.951])
    assert surely(few, np.zeros(31, dtype=bool), DEFAULT).all()
    many = np.array([0.9999] * 30 + [0.951] * 10)
    known = surely(many, np.zeros(40, dtype=bool), DEFAULT)
    assert known[:30].all() and known[30:].sum() < 5
    assert (1.0 - many[known]).mean() <= DEFAULT.known_wrong


def test_below_the_least_probability_nobody_is_known_however_sure_the_others_are() -> None:
    known = surely(np.array([1.0] * 500 + [0.94]), np.zeros(501, dtype=bool), DEFAULT)
    assert known[:500].all() and not known[500]


def test_faces_named_by_hand_make_the_others_no_surer() -> None:
    probability = np.array([1.0] * 100 + [0.98] * 4)
    assert surely(probability, np.zeros(104, dtype=bool), DEFAULT).all()
    known = surely(probability, np.arange(104) < 100, DEFAULT)
    assert known[:100].all() and not known[100:].any()


def test_of_draws_with_these_probabilities_one_in_two_hundred_is_wrong() -> None:
    rng = np.random.default_rng(3)
    probability = 1.0 - rng.exponential(0.01, 20_000)
    right = rng.random(20_000) < probability
    known = surely(probability, np.zeros(20_000, dtype=bool), DEFAULT)
    assert (probability >= DEFAULT.known).mean() - known.mean() > 0.1
    # 0.005 of some 13,000: sd 0.0006
    assert 0.003 < (~right[known]).mean() < 0.007


@pytest.mark.parametrize(("apart_z", "alone"), [(0.5, False), (4.0, True)])
def test_a_light_whose_face_is_one_of_two_people_is_left_alone_unless_they_have_one_skin(apart_z, alone) -> None:
    """A reference's frame, and a light with a face that is either's with less than a half."""
    frames = (reference_frame(), frame("lamp", (face("ann", LAMP),), time_s=4000.0))
    table = build(Request(frames, (Reference(frame_id="ref"),)), frozenset({"ref"}), DEFAULT)
    probability = np.array([[1.0, 0.0, 0.0]] * (table.n_faces - 1) + [[0.46, 0.44, 0.1]])
    own = np.array([[0.0, 0.0, 0.0], [apart_z, 0.0, 0.0]])
    left, nobody = adrift(table, np.array([0, 1]), np.array([True, False]), probability, own)
    assert (left == [False, alone]).all() and (nobody == left).all()


@pytest.mark.parametrize(("sure", "alone"), [(0.93, False), (0.7, True)])
def test_a_doubtful_face_ties_no_others_to_a_reference(sure, alone) -> None:
    """A light with Ben, who is known, and a face that may be Ann's; Ben is in another light with nobody else."""
    lamp = frame("lamp", (face("ann", LAMP), face("ben", LAMP, number=1)), time_s=4000.0)
    frames = (reference_frame(), lamp, frame("room", (face("ben", DAY),), time_s=8000.0))
    table = build(Request(frames, (Reference(frame_id="ref"),)), frozenset({"ref"}), DEFAULT)
    assert [table.frames[i].frame_id for i in table.face_frame] == ["ref", "lamp", "lamp", "room"]
    probability = np.array([[1.0, 0.0, 0.0], [sure, 0.0, 1.0 - sure], [0.0, 0.99, 0.01], [0.0, 0.99, 0.01]])
    own = np.array([[0.0, 0.0, 0.0], [4.0, 0.0, 0.0]])
    left, nobody = adrift(table, np.array([0, 1, 2]), np.array([True, False]), probability, own)
    assert (left == [False, alone, alone]).all() and not nobody.any()
    # Where nobody else is there, the same face keeps its light.
    by_itself = probability.copy()
    by_itself[2:] = [0.0, 0.1, 0.9]
    left, _ = adrift(table, np.array([0, 1, 2]), np.array([True, False]), by_itself, own)
    assert (left == [False, False, True]).all()
