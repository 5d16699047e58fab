"""A first sorting of sightings by their identity vectors: who there may be beyond those with a name.

Problem. Sightings i with vectors x_i that lie sd_i from their persons' own. Without bias

    |x_i - x_j|^2 - sd_i^2 - sd_j^2

estimates the squared distance D^2 of the two persons' own vectors: 0 for one person. Its mean over all pairs of two
groups is what average linkage (Sokal & Michener 1958) goes by, so groups join until the nearest two are surely
two people. Two faces of one moment are two people. Very poor vectors and, of a very long shoot, most, are only assigned
to the groups in the end.
When it fails: people who look alike end in one group, or one in two: `Roster.near` says which lie too close.
"""

from __future__ import annotations

import numpy as np
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial.distance import squareform

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.likeness import usual_sd
from xmpsync.solve.sightings import Sightings
from xmpsync.solve.tables import IntArray

MOST = 1200
"""Sightings that are compared each with each: keeps the cost linear."""
POOR_SD = 0.45
"""Vectors further than this from their person's own found nobody: half of what tells people apart is lost."""
ONE_PERSON = 0.10
"""D^2 below which two groups are one person. One person is 0; pairs of strangers 0.13 (one in a hundred) to 0.49."""
LEAST_ONE = 0.02
MOST_ALIKE = 10
"""Per cent: the D^2 of the most alike tenth of faces in one frame is a limit, too: where people look alike they are
told apart more finely."""
ONE_FACE = 0.053
"""sd of D^2 of one good face to its own person (benches; simulated to the published distances of the network)."""
MATES, TOLD = 10.0, 100.0
"""D^2 of pairs in one moment, and of those told to be two."""
ROUNDS = 2
"""Times that members move to the nearest group and groups are joined again."""
FAR = 0.15
"""D^2 to the nearest group within which a face that founded nothing is assigned to it."""


def clusters(
    seen: Sightings, by_hand: IntArray, by_name: IntArray, n_known: int, smallest: int
) -> tuple[IntArray, int]:
    """Person (U,) of each sighting, -1 where none, and how many persons beyond the `n_known` with a name there are.

    `by_hand`, `by_name` (U,): person 0..n_known - 1 that a sighting is told to be, -1 where none; the first is certain.
    """
    told = np.where(by_hand >= 0, by_hand, by_name)
    good = np.flatnonzero(seen.sd <= POOR_SD)
    if len(good) > MOST:
        surely = good[told[good] >= 0][: MOST // 2]
        rest = np.setdiff1d(good, surely)
        good = np.sort(np.append(surely, rest[np.linspace(0, len(rest) - 1, MOST - len(surely)).astype(np.intp)]))
    if len(good) < 2:
        return told, 0
    x, v, moment, hand = seen.vector[good], seen.sd[good] ** 2, seen.moment[good], by_hand[good]
    squared = (x**2).sum(axis=1)
    apart = squared[:, None] + squared - 2.0 * x @ x.T - v[:, None] - v
    mates = moment[:, None] == moment
    np.fill_diagonal(mates, False)
    limit = ONE_PERSON
    if mates.any():
        limit = float(np.clip(np.percentile(apart[mates], MOST_ALIKE), LEAST_ONE, ONE_PERSON))
    apart[mates] = np.maximum(apart[mates], MATES)
    both = (hand[:, None] >= 0) & (hand >= 0)
    apart[both] = np.where((hand[:, None] == hand)[both], -TOLD, TOLD)
    np.fill_diagonal(apart, 0.0)
    lowest = float(apart.min())
    # linkage asks for values from zero; a constant moves all of them, and their means, alike
    tree = linkage(squareform(apart - lowest, checks=False), "average")
    group = np.asarray(fcluster(tree, limit - lowest, "distance"), dtype=np.intp) - 1
    for _ in range(ROUNDS):
        group = _joined(apart, _moved(apart, group, limit), limit)
    member = np.full(len(seen.sd), -1, dtype=np.intp)
    member[good], extra = _named(group, hand, by_name[good], n_known, smallest)
    member = _assigned(seen, member, n_known + extra)
    return np.where(told >= 0, told, member), extra


def _moved(apart: FloatArray, group: IntArray, limit: float) -> IntArray:
    """Groups (n,), each member in the group nearest to it, itself left out: early joins may be wrong."""
    member = np.zeros((len(group), int(group.max()) + 1))
    member[np.arange(len(group)), group] = 1.0
    size = member.sum(axis=0) - member
    safe = np.maximum(size, 1.0)
    # As far as chance may have made a small group look near.
    mean = np.where(size > 0, (apart @ member) / safe + ONE_FACE / np.sqrt(safe), np.inf)
    nearest = mean.argmin(axis=1)
    moved = np.where(mean[np.arange(len(group)), nearest] < limit + ONE_FACE, nearest, group)
    return np.unique(moved, return_inverse=True)[1].reshape(-1).astype(np.intp)


def _joined(apart: FloatArray, group: IntArray, limit: float) -> IntArray:
    """Groups (n,), the smallest first, each with the nearest other one that chance would keep apart from it."""
    size = np.bincount(group)
    member = np.zeros((len(group), len(size)))
    member[np.arange(len(group)), group] = 1.0
    total = member.T @ apart @ member
    name, alive = np.arange(len(size)), np.ones(len(size), dtype=bool)
    for a in np.argsort(size, kind="stable"):
        others = np.flatnonzero(alive & (np.arange(len(size)) != a))
        if not len(others):
            break
        mean = total[a, others] / (size[a] * size[others])
        excess = mean - ONE_FACE * np.sqrt(1.0 / size[a] + 1.0 / size[others])
        if excess.min() < limit:
            b = others[mean.argmin()]
            total[b] += total[a]
            total[:, b] += total[:, a]
            size[b] += size[a]
            alive[a] = False
            name[name == a] = b
    return np.unique(name[group], return_inverse=True)[1].reshape(-1).astype(np.intp)


def _named(group: IntArray, hand: IntArray, name: IntArray, n_known: int, smallest: int) -> tuple[IntArray, int]:
    """Persons (n,) of groups (n,): whom they are told to be by hand, by most of the names in them, or new ones."""
    out = np.full(len(group), -1, dtype=np.intp)
    extra = 0
    for g in range(int(group.max()) + 1):
        rows = np.flatnonzero(group == g)
        votes = np.bincount(name[rows][name[rows] >= 0], minlength=n_known)
        by_hand = np.bincount(hand[rows][hand[rows] >= 0], minlength=n_known)
        if by_hand.any():
            out[rows] = by_hand.argmax()
        elif votes.any() and 2 * votes.max() >= votes.sum():
            out[rows] = votes.argmax()
        elif len(rows) >= smallest:
            out[rows] = n_known + extra
            extra += 1
    return out, extra


def _assigned(seen: Sightings, member: IntArray, n: int) -> IntArray:
    """The sorting with sightings that are in no group given to the nearest, where one is near."""
    rest = np.flatnonzero((member < 0) & np.isfinite(seen.sd))
    have = np.flatnonzero(member >= 0)
    if not len(rest) or not len(have):
        return member
    weight = np.zeros((len(have), n))
    weight[np.arange(len(have)), member[have]] = (usual_sd() / seen.sd[have]) ** 2
    count = weight.sum(axis=0)
    mean = weight.T @ seen.vector[have] / np.maximum(count, 1e-9)[:, None]
    x = seen.vector[rest]
    apart = (x**2).sum(axis=1)[:, None] + (mean**2).sum(axis=1) - 2.0 * x @ mean.T
    apart -= seen.sd[rest, None] ** 2 + usual_sd() ** 2 / np.maximum(count, 0.05)
    apart[:, count <= 0] = np.inf
    nearest = apart.argmin(axis=1)
    out = member.copy()
    near = (apart[np.arange(len(rest)), nearest] < FAR) & (seen.sd[rest] <= POOR_SD)
    out[rest[near]] = nearest[near]
    return out
