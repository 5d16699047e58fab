"""The search over whole outcomes: orders of groups, persons taken for others, two people taken for one.

Groups are taken in order of how clear they are, starting with those that hold a reference; faces that fit nobody and
repeat become new persons, so that the roster grows while it is used. A second pass lays every group again on what all
the others found. The outcome that explains most wins.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from xmpsync.colour.arrays import FloatArray, inverse
from xmpsync.solve.constellation import Constellations
from xmpsync.solve.likelihood import Likelihood, items
from xmpsync.solve.outcome import Outcomes, best_of, chosen, laid, settled, together
from xmpsync.solve.persons import Population
from xmpsync.solve.placing import placed, seeded
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.tables import BoolArray, IntArray
from xmpsync.solve.worlds import Worlds, founded, joined, taken, without

FEW_GROUPS = 120
"""Groups up to which several orders are tried; more groups correct one another."""
MOST_TRIED = 4
"""Different outcomes that are worked on after all orders are laid."""
SAME_SCORE = 1e-6
MOST_RELINKS = 2
MOST_SPLITS = 3
MOST_SPLIT = 3
"""Persons whose split is tried in earnest, each time."""


def best_outcome(c: Constellations, w: Worlds, people: Population, s: SolveSettings) -> Outcomes:
    """The one outcome that explains most, from each world in several orders."""
    ways = [(world, order) for world in range(w.n) for order in _orders(c, w, world, people)]
    begun = taken(w, np.array([world for world, _ in ways], dtype=np.intp))
    tried = laid(c, begun, np.array([order for _, order in ways], dtype=np.intp), people, s)
    tried = _relinked(c, _most_telling(tried), people)
    return _with_splits(c, chosen(tried, np.array([best_of(tried)])), people, s)


def _orders(c: Constellations, w: Worlds, world: int, people: Population) -> list[list[int]]:
    """Different orders of the groups: clearest first, largest first, outwards in time; those that stay before all."""
    number = range(c.n)
    batch = items(c, np.full(c.n, world), np.arange(c.n))
    margin = placed(Likelihood(c, w, batch, people), seeded(c, w, batch, people, w.alive[batch.world])).margin
    anchors = c.time_s[c.pinned]
    away = np.abs(c.time_s[:, None] - anchors).min(axis=1) if len(anchors) else np.zeros(c.n)
    keys = [-margin, -c.size, away] if c.n <= FEW_GROUPS else [-margin]
    found = [sorted(number, key=lambda g: (not c.pinned[g], key[g], g)) for key in keys]
    return [list(order) for order in dict.fromkeys(tuple(order) for order in found)]


def _most_telling(outcomes: Outcomes) -> Outcomes:
    """The outcomes that explain most, each once: orders often agree."""
    best = np.argsort(-outcomes.score, kind="stable")
    new = np.diff(outcomes.score[best], prepend=np.inf) < -SAME_SCORE
    return chosen(outcomes, best[new][:MOST_TRIED])


def _relinked(c: Constellations, outcomes: Outcomes, people: Population) -> Outcomes:
    """The outcomes after trying, in each, to take a person found by colour for one with a reference.

    Groups that agree among themselves but were never tied to the reference may float as a whole, with the reference
    person taken for a new one: then all of them move by the same shift. Somebody else may have been taken for the
    reference person there, and is a person of their own then: both is tried.
    """
    for _ in range(MOST_RELINKS):
        w = outcomes.worlds
        world, known, found = np.nonzero((w.alive & w.referenced)[:, :, None] & w.found[:, None, :])
        if not len(world):
            break
        move = w.z[world, known] - w.z[world, found]
        shift = outcomes.shift[world] + np.where(c.pinned[None, :, None], 0.0, move[:, None])
        moved = taken(w, world)
        moved = replace(moved, z=np.where(moved.referenced[..., None], moved.z, moved.z + move[:, None]))
        gone = np.arange(w.alive.shape[1]) == found[:, None]
        away = np.where(gone[..., None], (w.z[world, known] + move)[:, None, :], moved.z)
        both = [without(moved, gone), replace(moved, z=away)]
        tried = settled(c, joined(both, people), np.tile(shift, (2, 1, 1)), people, 1)
        better = _improved(outcomes, tried, np.tile(world, 2), people)
        if better is None:
            break
        outcomes = better
    return outcomes


def _improved(outcomes: Outcomes, tried: Outcomes, origin: IntArray, people: Population) -> Outcomes | None:
    """Each outcome, or what was tried from it (`origin`) and explains more; None where nothing does."""
    pool = together([outcomes, tried], people)
    origins = np.concatenate([np.arange(len(outcomes.score)), origin])
    best = np.lexsort((np.arange(len(origins)), -pool.score, origins))
    rows = best[np.searchsorted(origins[best], np.arange(len(outcomes.score)))]
    return chosen(pool, rows) if (rows >= len(outcomes.score)).any() else None


def _with_splits(c: Constellations, outcome: Outcomes, people: Population, s: SolveSettings) -> Outcomes:
    """The one outcome after trying, again and again, to take the faces of one person for two."""
    for _ in range(MOST_SPLITS):
        parts = _split(c, outcome, people, s)
        if not parts:
            break
        # Groups left where they are tell which of the splits are worth laying them again.
        tried = settled(c, joined(parts, people), np.repeat(outcome.shift, len(parts), axis=0), people, 0)
        tried = chosen(tried, np.argsort(-tried.score, kind="stable")[:MOST_SPLIT])
        tried = settled(c, tried.worlds, tried.shift, people, 1)
        better = _improved(outcome, tried, np.zeros(len(tried.score), dtype=np.intp), people)
        if better is None:
            break
        outcome = better
    return outcome


def _split(c: Constellations, outcome: Outcomes, people: Population, s: SolveSettings) -> list[Worlds]:
    """Worlds in which the faces of one person are those of two.

    Two people of like colour fit one person in the middle well enough that nobody new is founded; but their faces lie
    in two heaps. Each person's faces are cut across their longest axis, and the further heap becomes a new person.
    """
    w, only = outcome.worlds, np.zeros(1, dtype=np.intp)
    if int(w.found.sum()) >= s.persons.most_persons:
        return []
    everything = items(c, np.zeros(c.n, dtype=np.intp), np.arange(c.n))
    r = Likelihood(c, w, everything, people).responsibilities(outcome.shift[0])
    z = c.y + outcome.shift[0][c.of]
    out = []
    for p in np.flatnonzero(w.alive[0]):
        own = np.flatnonzero(r[:, p] > 0.5)
        heap = _heap(z[own], inverse(c.covariance[own]), w.z[0, p], s.persons.smallest_person)
        if heap is None:
            continue
        near, far = own[heap], own[~heap]
        spread = inverse(inverse(c.covariance[far]).sum(axis=0))
        more = founded(w, only, z[far].mean(axis=0)[None], spread[None], people)
        if not w.referenced[0, p]:
            more.z[0, p] = z[near].mean(axis=0)
        out.append(more)
    return out


def _heap(z: FloatArray, precision: FloatArray, middle: FloatArray, fewest: int) -> BoolArray | None:
    """Which of a person's faces (n, 3) lie in the heap nearer to `middle`; None where there are no two heaps."""
    if len(z) < 2 * fewest:
        return None
    root = np.linalg.cholesky(precision.mean(axis=0))
    off = (z - middle) @ root
    along = off @ np.linalg.svd(off - off.mean(axis=0), full_matrices=False)[2][0]
    upper = along > 0.5 * (along.max() + along.min())
    if upper.all() or not upper.any():
        return None
    # A reference stays where it is: the heap further from it is the other person.
    distance = [float(np.linalg.norm((z[h].mean(axis=0) - middle) @ root)) for h in (upper, ~upper)]
    near = upper if distance[0] <= distance[1] else ~upper
    return None if (~near).sum() < fewest else near
