"""Laying groups on the persons known: for each the shift that explains its faces best.

Candidates are all shifts that carry one face to one person; the best of them are refined by a few steps of expectation
and maximisation, all at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.constellation import Constellations, as_shot_shift
from xmpsync.solve.likelihood import Items, Likelihood
from xmpsync.solve.persons import Population
from xmpsync.solve.tables import BoolArray, IntArray
from xmpsync.solve.worlds import Worlds

MOST_SEEDS = 6
"""Faces of one group that propose a shift."""
KEPT = 6
"""Best proposals that are refined."""
REFINEMENTS = 3
APART_Z = 1.5
"""Shifts further apart than this in white are different answers."""
LARGEST_MARGIN = 1e3


@dataclass(frozen=True, slots=True, eq=False)
class Placement:
    """The best shifts (K, 3), their log scores (K,) and margins (K,) over the best quite different one."""

    shift: FloatArray
    score: FloatArray
    margin: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Proposals:
    """Shifts to try (K, C, 3) and which of them count (K, C)."""

    shift: FloatArray
    valid: BoolArray


def placed(likelihood: Likelihood, proposals: Proposals, kept: int = KEPT) -> Placement:
    """The best shift of each item; groups with a fixed frame stay."""
    d, valid = proposals.shift, proposals.valid
    if d.shape[1] > kept:
        first = np.where(valid, likelihood.score(d), -np.inf)
        best = np.argsort(-first, axis=1, kind="stable")[:, :kept]
        d = np.take_along_axis(d, best[:, :, None], axis=1)
        valid = np.take_along_axis(valid, best, axis=1)
    for _ in range(REFINEMENTS):
        d = likelihood.refined(d)
    score = np.where(valid, likelihood.score(d), -np.inf)
    row, best = np.arange(len(d)), score.argmax(axis=1)
    shift, top = d[row, best], score[row, best]
    other = np.linalg.norm((d - shift[:, None])[..., :2], axis=2) > APART_Z
    margin = np.minimum(top - np.where(other, score, -np.inf).max(axis=1), LARGEST_MARGIN)
    pinned = likelihood.pinned
    return Placement(np.where(pinned[:, None], 0.0, shift), top, np.where(pinned, np.inf, margin))


def seeded(c: Constellations, w: Worlds, batch: Items, people: Population, usable: BoolArray) -> Proposals:
    """Every pairing of one of a group's faces with one person `usable` (K, P); people in general; as-shot white."""
    seeds, own = _seeds(c, min(MOST_SEEDS, int(c.size[batch.group].max())))
    of = seeds[batch.group]
    to_persons = (w.z[batch.world][:, None] - c.y[of][:, :, None]).reshape(batch.n, -1, 3)
    valid = (own[batch.group][:, :, None] & usable[:, None]).reshape(batch.n, -1)
    middle = np.add.reduceat(c.y, c.start[:-1], axis=0) / c.size[:, None]
    general = np.stack([people.mean - middle, as_shot_shift(c)], axis=1)[batch.group]
    always = np.ones((batch.n, 2), dtype=bool)
    return Proposals(np.concatenate([to_persons, general], axis=1), np.concatenate([valid, always], axis=1))


def _seeds(c: Constellations, most: int) -> tuple[IntArray, BoolArray]:
    """(G, most): faces evenly over each group, and which of them do not repeat one."""
    step = np.arange(most)
    count = np.minimum(c.size, most)[:, None]
    position = np.round(step * (c.size[:, None] - 1) / np.maximum(count - 1, 1)).astype(np.intp)
    own = step < count
    return np.where(own, c.start[:-1, None] + position, c.start[:-1, None]), own
