"""The first sorting by identity vectors, against people that the test knows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from xmpsync.solve import evidence
from xmpsync.solve.clusters import clusters
from xmpsync.solve.likeness import DEFAULT
from xmpsync.solve.roster import Roster, alike_shared
from xmpsync.solve.settings import PriorSettings
from xmpsync.solve.sightings import Sightings

SD = 0.3
DIMENSIONS = 24


@pytest.fixture
def rng():
    return np.random.default_rng(5)


def _seen(rng, centres, person, moment=None, sd=SD) -> Sightings:
    person = np.asarray(person)
    vector = np.zeros((len(person), 128))
    vector[:, :DIMENSIONS] = rng.normal(0.0, sd / np.sqrt(DIMENSIONS), (len(person), DIMENSIONS))
    vector += centres[person]
    moment = np.arange(len(person)) if moment is None else np.asarray(moment)
    return Sightings(np.arange(len(person)), vector, np.full(len(person), sd), moment)


def _centres(n, apart=0.65):
    out = np.zeros((n, 128))
    out[np.arange(n), np.arange(n)] = apart / np.sqrt(2.0)
    return out


def _none(n):
    return np.full(n, -1)


def _pure(member, person):
    return all(len(set(member[person == p]) - {-1}) <= 1 for p in np.unique(person))


def test_people_without_a_name_are_founded_once_each_beside_the_referenced_one(rng):
    person = np.repeat(np.arange(5), 12)
    seen = _seen(rng, _centres(5), person)
    hand = _none(len(person))
    hand[0] = 0
    member, extra = clusters(seen, hand, _none(len(person)), 1, 2)
    assert extra == 4 and _pure(member, person)
    assert (member[person == 0] == 0).mean() > 0.9
    assert (member >= 0).mean() > 0.9


def test_two_faces_of_one_moment_are_two_people_however_alike(rng):
    person = np.tile([0, 1], 10)
    moment = np.repeat(np.arange(10), 2)
    member, extra = clusters(_seen(rng, _centres(2, 0.25), person, moment), _none(20), _none(20), 0, 2)
    assert extra >= 2
    same_moment = member[0::2] == member[1::2]
    assert not (same_moment & (member[0::2] >= 0)).any()


def test_a_name_given_by_hand_keeps_two_apart_and_a_wrong_name_of_a_region_is_outvoted(rng):
    person = np.repeat([0, 1], 10)
    hand, name = _none(20), _none(20)
    hand[0], hand[10] = 0, 1
    member, extra = clusters(_seen(rng, _centres(2), person), hand, name, 2, 2)
    assert extra == 0 and (member[person == 0] == 0).all() and (member[person == 1] == 1).all()
    hand[:], name[1:4], name[11:14], name[4] = -1, 0, 1, 1
    member, _ = clusters(_seen(rng, _centres(2), person), hand, name, 2, 2)
    assert (member[5:10] == 0).all() and (member[15:] == 1).all()
    assert member[4] == 1  # what a region says stays, to be weighed later


def test_poor_vectors_found_nobody_and_single_strangers_neither(rng):
    person = np.concatenate([np.zeros(10, int), np.arange(1, 6)])
    seen = _seen(rng, _centres(6), person)
    member, extra = clusters(seen, _none(15), _none(15), 0, 2)
    assert extra == 1 and (member[10:] == -1).all()
    poor = _seen(rng, _centres(2), np.repeat([0, 1], 8), sd=0.55)
    assert clusters(poor, _none(16), _none(16), 0, 2)[1] == 0


def test_a_shoot_of_more_sightings_than_are_compared_is_sorted_all_the_same(rng):
    person = np.tile(np.arange(4), 500)
    member, extra = clusters(_seen(rng, _centres(4), person), _none(2000), _none(2000), 0, 2)
    assert extra == 4 and _pure(member, person)
    assert (member >= 0).mean() > 0.9


def test_who_looks_like_somebody_seen_once_stays_known_and_two_seen_alike_often_share(rng):
    seen = _seen(rng, _centres(2), [0, 0, 1])
    nobody = _none(3)

    def shared(share, apart=False, doubtful=False, together=False):
        near = np.ones((2, 2), dtype=bool)
        shown = replace(seen, moment=np.array([0, 1, 1 if together else 2]))
        first = np.array([0, 0, 1])
        persons = Roster(
            ("a", "b"), np.array([True, False]), nobody, nobody, first, shown, DEFAULT, 1, near, np.array(share)
        )
        return alike_shared(
            persons, np.array([[0.99, 0.0, 0.01]] * 3), ~np.eye(2, dtype=bool) & apart, np.full(3, doubtful)
        )

    assert shared([0.98, 0.02])[0, 0] > 0.95
    assert 0.85 < shared([0.98, 0.02], together=True)[0, 0] < 0.95  # one picture shows both: surely two
    assert np.allclose(shared([0.5, 0.5])[:, :2], 0.495)
    assert np.allclose(shared([0.5, 0.5], apart=True)[:, 0], 0.99)  # skins that differ tell them apart
    assert np.allclose(shared([0.5, 0.5], apart=True, doubtful=True)[:, :2], 0.495)  # but in no doubtful light


def test_beside_faces_that_bear_names_one_without_is_rather_a_strangers(rng):
    n = 40
    seen = _seen(rng, _centres(1), np.zeros(n, int))

    def stranger(named):
        name = _none(n)
        name[:named] = 0
        persons = Roster(
            ("a",),
            np.array([True]),
            _none(n),
            name,
            _none(n),
            seen,
            DEFAULT,
            1,
            np.ones((1, 1), dtype=bool),
            np.ones(1),
        )
        return np.exp(evidence.names(persons, PriorSettings())[-1, -1])

    assert np.isclose(stranger(0), PriorSettings().stranger)
    assert stranger(20) < 0.5 < stranger(n - 1)
