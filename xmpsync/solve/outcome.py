"""Whole outcomes, many at once: where every group lies in each world, and how well that explains the faces."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray, inverse
from xmpsync.solve.constellation import Constellations
from xmpsync.solve.likelihood import Items, Likelihood, items
from xmpsync.solve.persons import Population
from xmpsync.solve.placing import placed, seeded
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.tables import BoolArray, IntArray
from xmpsync.solve.worlds import SMALLEST_COUNT, Worlds, founded, joined, packed, recoloured, taken, without

SECOND_PASSES = 2
NEW_PERSON_COST = 8.0
"""Log evidence that one more person must bring: three numbers more, each known to some tenth of its prior width."""


@dataclass(frozen=True, slots=True, eq=False)
class Outcomes:
    """W outcomes: the worlds, the shifts of all groups (W, G, 3), and how well each explains the faces (W,)."""

    worlds: Worlds
    shift: FloatArray
    score: FloatArray


def laid(c: Constellations, w: Worlds, order: IntArray, people: Population, s: SolveSettings) -> Outcomes:
    """All groups laid in each world's order (W, G), the persons growing; then each again on what the others found."""
    shift = np.zeros((w.n, c.n, 3))
    world = np.arange(w.n)
    for step in range(c.n):
        batch = items(c, world, order[:, step])
        likelihood = Likelihood(c, w, batch, people)
        d = placed(likelihood, seeded(c, w, batch, people, w.alive)).shift
        shift[world, order[:, step]] = d
        w = _grown(c, w, batch, likelihood.responsibilities(d), d, people, s)
    return settled(c, w, shift, people, SECOND_PASSES)


def settled(c: Constellations, w: Worlds, shift: FloatArray, people: Population, passes: int) -> Outcomes:
    """Persons and groups in turn, each group on what the others found; and how well it all explains the faces."""
    batch = items(c, np.repeat(np.arange(w.n), c.n), np.tile(np.arange(c.n), w.n))
    shift = shift.reshape(-1, 3)
    w = packed(w)
    likelihood = Likelihood(c, w, batch, people)
    for _ in range(passes):
        r = likelihood.responsibilities(shift)
        counts = np.add.reduceat(r, batch.start[:-1], axis=0).reshape(w.n, c.n, -1)
        few = w.found & (counts[..., :-1].sum(axis=1) < SMALLEST_COUNT)
        if few.any():
            w = without(w, few)
            r[:, :-1] = np.where(few[batch.world[batch.item]], 0.0, r[:, :-1])
            r /= r.sum(axis=1, keepdims=True)
        w = with_colours(c, w, batch, r, shift)
        others = counts.sum(axis=1, keepdims=True) - counts
        usable = (w.alive[:, None] & (w.referenced[:, None] | (others[..., :-1] > 0.5))).reshape(batch.n, -1)
        likelihood = Likelihood(c, w, batch, people)
        everybody = likelihood.weight
        likelihood.reachable(usable)
        shift = placed(likelihood, seeded(c, w, batch, people, usable)).shift
        likelihood.weight = everybody
    w = with_colours(c, w, batch, likelihood.responsibilities(shift), shift)
    explained = Likelihood(c, w, batch, people).score(shift[:, None]).reshape(w.n, c.n).sum(axis=1)
    off = w.z - people.mean
    squared = np.einsum("wpi,ij,wpj->wp", off, inverse(people.covariance), off)
    prior = -0.5 * np.where(w.alive & ~w.referenced, squared, 0.0).sum(axis=1)
    score = explained + prior - NEW_PERSON_COST * w.alive.sum(axis=1)
    return Outcomes(w, shift.reshape(w.n, c.n, 3), score)


def with_colours(c: Constellations, w: Worlds, batch: Items, r: FloatArray, shift: FloatArray) -> Worlds:
    """The worlds with colours and shares from all groups at their shifts (W G, 3)."""
    start = batch.start[:: c.n][:-1]
    own = inverse(c.covariance)[batch.face]
    z = c.y[batch.face] + shift[batch.item]
    both = np.concatenate([own.reshape(-1, 9), np.matmul(own, z[..., None])[..., 0]], axis=1)
    parts = zip(start, [*start[1:], len(r)], strict=True)
    sums = np.array([r[first:last].T @ both[first:last] for first, last in parts])
    counts = np.add.reduceat(r, start, axis=0)
    return recoloured(w, counts, sums[:, :-1, :9].reshape(w.n, -1, 3, 3), sums[:, :-1, 9:])


def best_of(outcomes: Outcomes) -> int:
    """The first of the outcomes that explain most."""
    return int(np.argmax(outcomes.score))


def chosen(outcomes: Outcomes, rows: IntArray) -> Outcomes:
    """Some outcomes, in the order of `rows`."""
    return Outcomes(taken(outcomes.worlds, rows), outcomes.shift[rows], outcomes.score[rows])


def together(parts: list[Outcomes], people: Population) -> Outcomes:
    """The outcomes of all parts, one after the other."""
    return Outcomes(
        joined([p.worlds for p in parts], people),
        np.concatenate([p.shift for p in parts]),
        np.concatenate([p.score for p in parts]),
    )


def _grown(
    c: Constellations,
    w: Worlds,
    batch: Items,
    r: FloatArray,
    d: FloatArray,
    people: Population,
    s: SolveSettings,
) -> Worlds:
    """The worlds (one item each) after their groups: repeated colours that fit nobody become persons."""
    for _ in range(s.persons.most_persons):
        # A face that names or identity give to somebody is no evidence for a new person.
        free = (r[:, -1] > 0.5) & ~w.told[batch.world[batch.item], batch.face]
        enough = np.add.reduceat(free, batch.start[:-1], dtype=np.intp) >= s.persons.smallest_person
        enough &= w.found.sum(axis=1)[batch.world] < s.persons.most_persons
        new = [(k, *found) for k in np.flatnonzero(enough) if (found := _repeated(c, batch, free, int(k), d[k], s))]
        if not new:
            break
        rows = np.array([k for k, _, _ in new], dtype=np.intp)
        w = founded(w, batch.world[rows], np.array([z for _, z, _ in new]), np.array([v for _, _, v in new]), people)
        again = items(c, batch.world[rows], batch.group[rows])
        r, batch, d = Likelihood(c, w, again, people).responsibilities(d[rows]), again, d[rows]
    return w


def _repeated(
    c: Constellations, batch: Items, free: BoolArray, k: int, d: FloatArray, s: SolveSettings
) -> tuple[FloatArray, FloatArray] | None:
    """The colour that most of an item's free faces share, and its covariance; None where none repeats."""
    part = slice(int(batch.start[k]), int(batch.start[k + 1]))
    faces = batch.face[part][free[part]]
    z, precision = c.y[faces] + d, inverse(c.covariance[faces])
    gap = z[:, None, :] - z[None, :, :]
    near = np.einsum("abi,aij,abj->ab", gap, precision, gap) < 0.5 * s.persons.new_person_chi2
    most = near[int(np.argmax(near.sum(axis=1)))]
    if most.sum() < s.persons.smallest_person:
        return None
    return z[most].mean(axis=0), inverse(precision[most].sum(axis=0))
