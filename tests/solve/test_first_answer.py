"""The first answer where nobody says who is who: batches equal plain loops, and worlds do not disturb one another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.stats import multivariate_normal, multivariate_t

from tests.solve.builders import DAY, LAMP, SHADE, shoot
from xmpsync.colour.arrays import FloatArray
from xmpsync.solve import persons, reference
from xmpsync.solve.constellation import Constellations, constellations
from xmpsync.solve.likelihood import ABSENT_COST, TAILS, Likelihood, items
from xmpsync.solve.mixture import EXCLUSION_PASSES, responsibilities
from xmpsync.solve.outcome import laid
from xmpsync.solve.persons import Population, Roster
from xmpsync.solve.placing import placed, seeded
from xmpsync.solve.register import register
from xmpsync.solve.settings import DEFAULT
from xmpsync.solve.tables import IntArray, Table, build
from xmpsync.solve.worlds import Worlds, founded, joined, packed, roster_of, taken, without, worlds

LIGHTS = {"ref": DAY, "day": DAY, "shade": SHADE, "lamp": LAMP}
PLACE = {"ref": 0, "day": 0, "shade": 1, "lamp": 2}
STATE_SD = (0.9, 0.12)
NORMAL = (2.0 * np.pi) ** 1.5
"""Densities leave out the normal density's own constant."""


@dataclass(frozen=True)
class Case:
    table: Table
    group: IntArray
    theta: FloatArray
    people: Population
    roster: Roster
    c: Constellations
    w: Worlds


@pytest.fixture(scope="module")
def case() -> Case:
    """Three lights, three people of whom one is known, groups 60 mired, 20 tint and 0.8 EV off; two more rosters."""
    request = shoot(named=False)
    chosen = reference.choices(request)
    table = build(request, frozenset(x.frame_id for x in chosen), DEFAULT)
    targets = reference.targets(request, chosen, table)
    people = persons.population(targets, DEFAULT.persons)
    roster = persons.roster(table, targets, people, DEFAULT.persons)
    kind = [f.frame_id.rstrip("0123456789") for f in table.frames]
    group = np.array([PLACE[k] for k in kind], dtype=np.intp)
    true = np.array([(1e6 / LIGHTS[k].kelvin, LIGHTS[k].tint, -LIGHTS[k].gain_ev) for k in kind])
    theta = np.where(group[:, None] == 0, true, true + np.array([60.0, -20.0, 0.8]))
    c = constellations(table, group, theta, STATE_SD, DEFAULT)
    w = joined([worlds((roster,), c, people)] * 3, people)
    for step, rows in enumerate(([1, 2], [2])):
        z = people.mean + np.array([[1.5, -1.0, -0.8 * (step + 1)]] * len(rows))
        w = founded(w, np.array(rows), z, np.tile(np.diag([0.3, 0.2, 0.02]), (len(rows), 1, 1)), people)
    return Case(table, group, theta, people, roster, c, w)


def _joint(case: Case, world: int, face: int, d: FloatArray) -> list[float]:
    """Prior times density of one face at one shift for each person and somebody else, by scipy."""
    c, w, people = case.c, case.w, case.people
    z, own = c.y[face] + d, c.covariance[face]
    prior = w.prior[world, face] * w.share[world]
    out = [
        float(prior[p] * NORMAL * multivariate_t(w.z[world, p], own + w.covariance[world, p], df=6).pdf(z))
        for p in range(w.alive.shape[1])
    ]
    return [*out, float(prior[-1] * NORMAL * multivariate_normal(people.mean, own + people.covariance).pdf(z))]


def _shifts(count: int, seed: int) -> FloatArray:
    return np.random.default_rng(seed).normal(size=(count, 5, 3)) * np.array([3.0, 3.0, 0.6])


def _all(case: Case) -> tuple[IntArray, IntArray]:
    n, g = case.w.n, case.c.n
    return np.repeat(np.arange(n), g), np.tile(np.arange(g), n)


def test_densities_of_a_batch_are_those_of_reference_distributions(case: Case) -> None:
    batch = items(case.c, *_all(case))
    d = _shifts(batch.n, 1)
    got = Likelihood(case.c, case.w, batch, case.people).densities(d)
    assert got.shape == (case.w.n * len(case.c.rows), case.w.alive.shape[1] + 1, 5)
    for row in range(0, len(got), 7):
        k, face = int(batch.item[row]), int(batch.face[row])
        for s in range(5):
            assert got[row, :, s] == pytest.approx(_joint(case, int(batch.world[k]), face, d[k, s]), rel=1e-9, abs=0.0)


def test_the_score_of_a_batch_is_that_of_a_plain_loop(case: Case) -> None:
    batch = items(case.c, *_all(case))
    d = _shifts(batch.n, 2)
    got = Likelihood(case.c, case.w, batch, case.people).score(d)
    for k in range(batch.n):
        g, world = int(batch.group[k]), int(batch.world[k])
        joint = np.array([
            _joint(case, world, face, d[k, 3]) for face in range(case.c.start[g], case.c.start[g + 1])
        ])  # fmt: skip
        seen = (joint[:, :-1][:, case.w.referenced[world]] / joint.sum(axis=1, keepdims=True)).sum()
        wanted = np.log(joint.sum(axis=1)).sum() - ABSENT_COST * np.exp(-seen)
        if not case.c.pinned[g]:
            off = (case.c.theta_by_z[g] @ d[k, 3] - case.c.prior_mean[g]) / case.c.prior_sd[g]
            wanted -= 0.5 * (TAILS + 1.0) * np.log1p(off**2 / TAILS).sum()
        assert got[k, 3] == pytest.approx(wanted, rel=1e-9)


def test_a_refinement_of_a_batch_is_the_weighted_mean_of_a_plain_loop(case: Case) -> None:
    c, w, people = case.c, case.w, case.people
    batch = items(c, *_all(case))
    d = _shifts(batch.n, 3)
    got = Likelihood(c, w, batch, people).refined(d)
    for k in range(batch.n):
        g, world = int(batch.group[k]), int(batch.world[k])
        off = (c.theta_by_z[g] @ d[k, 1] - c.prior_mean[g]) / c.prior_sd[g]
        light = c.theta_by_z[g].T @ np.diag((TAILS + 1.0) / (TAILS + off**2) / c.prior_sd[g] ** 2)
        a, b = light @ c.theta_by_z[g], light @ c.prior_mean[g]
        for face in range(c.start[g], c.start[g + 1]):
            joint = np.array(_joint(case, world, face, d[k, 1]))
            r = joint / joint.sum()
            own, wide = np.linalg.inv(c.covariance[face]), np.linalg.inv(c.covariance[face] + people.covariance)
            for p in range(w.alive.shape[1]):
                a = a + r[p] * own
                b = b + r[p] * own @ (w.z[world, p] - c.y[face])
            a, b = a + r[-1] * wide, b + r[-1] * wide @ (people.mean - c.y[face])
        assert got[k, 1] == pytest.approx(np.linalg.solve(a, b), abs=1e-8)


def test_a_frame_shows_nobody_twice_by_the_same_numbers_as_a_plain_loop() -> None:
    rng = np.random.default_rng(4)
    joint, frame = rng.normal(size=(9, 4)) * 2.0, np.array([0, 1, 1, 2, 2, 2, 3, 1, 4])
    r = np.exp(joint) / np.exp(joint).sum(axis=1, keepdims=True)
    for _ in range(EXCLUSION_PASSES):
        before = r.copy()
        for i in range(9):
            others = [j for j in range(9) if frame[j] == frame[i] and j != i]
            if others:
                odds = np.exp(joint[i])
                odds[:-1] *= np.prod([1.0 - before[j, :-1] for j in others], axis=0)
                r[i] = 0.5 * (before[i] + odds / odds.sum())
    assert responsibilities(joint, frame) == pytest.approx(r, abs=1e-12)


def test_worlds_tried_together_come_out_as_each_alone(case: Case) -> None:
    order = np.array([[0, 1, 2], [0, 2, 1], [2, 0, 1]])
    both = laid(case.c, case.w, order, case.people, DEFAULT)
    assert len(set(np.round(both.score, 3))) > 1
    for k in range(3):
        alone = laid(case.c, taken(case.w, np.array([k])), order[k : k + 1], case.people, DEFAULT)
        assert alone.score[0] == pytest.approx(both.score[k], abs=1e-8)
        assert alone.shift[0] == pytest.approx(both.shift[k], abs=1e-8)
        assert alone.worlds.alive[0].sum() == both.worlds.alive[k].sum()


def test_unused_places_count_for_nothing(case: Case) -> None:
    batch = items(case.c, *_all(case))
    d = _shifts(batch.n, 5)
    gone = np.zeros_like(case.w.alive)
    gone[:, 1] = case.w.alive[:, 1]
    with_room = without(case.w, gone)
    small = packed(with_room)
    assert small.alive.shape[1] < with_room.alive.shape[1]
    a, b = (Likelihood(case.c, w, batch, case.people).score(d) for w in (with_room, small))
    assert a == pytest.approx(b, rel=1e-12)


def test_a_world_left_alone_is_the_roster_that_it_began_with(case: Case) -> None:
    again = roster_of(worlds((case.roster,), case.c, case.people), 0, (case.roster,), case.people)
    assert again.names == case.roster.names
    assert (again.z == case.roster.z).all()
    assert (again.log_prior == case.roster.log_prior).all()
    found = roster_of(case.w, 2, (case.roster,), case.people)
    assert found.n == case.roster.n + 2
    assert len(set(found.names)) == found.n
    assert (found.log_prior[:, -2] == found.log_prior[:, -1]).all()


def test_groups_are_laid_back_on_the_persons_from_wherever_they_start(case: Case) -> None:
    """Nobody but one is known: 60 mired, 20 tint and 0.8 EV come back to about the scatter of a face."""
    start = register(case.table, case.group, case.theta, (case.roster,), STATE_SD, case.people, DEFAULT)
    kind = [f.frame_id.rstrip("0123456789") for f in case.table.frames]
    true = np.array([(1e6 / LIGHTS[k].kelvin, LIGHTS[k].tint, -LIGHTS[k].gain_ev) for k in kind])
    off = np.abs(start.theta - true)
    assert (off[case.group > 0] < np.array([6.0, 6.0, 0.12])).all()
    assert (start.theta[case.table.fixed] == case.theta[case.table.fixed]).all()
    assert start.roster.n == 3


def test_a_group_with_a_fixed_frame_stays(case: Case) -> None:
    batch = items(case.c, np.zeros(case.c.n, dtype=np.intp), np.arange(case.c.n))
    usable = case.w.alive[batch.world]
    out = placed(Likelihood(case.c, case.w, batch, case.people), seeded(case.c, case.w, batch, case.people, usable))
    assert case.c.pinned.tolist() == [True, False, False]
    assert (out.shift[0] == 0.0).all()
    assert np.isinf(out.margin[0])
    assert (np.abs(out.shift[1:]).max(axis=1) > 0.5).all()
