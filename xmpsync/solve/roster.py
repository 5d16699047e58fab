"""The persons of a shoot: references, names, names given by hand, and groups of like identity vectors.

A roster lists who there may be; who a face is stays a matter of probability (`evidence`). Persons without a name are
founded by identity (`clusters`); a face that says little founds nobody.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.clusters import clusters
from xmpsync.solve.likeness import DEFAULT as LIKENESS
from xmpsync.solve.likeness import LikenessSettings, alike, from_frames, log_likelihood_ratio, usual_sd
from xmpsync.solve.reference import PersonTarget
from xmpsync.solve.settings import PriorSettings
from xmpsync.solve.sightings import Sightings, sightings
from xmpsync.solve.tables import BoolArray, IntArray, Table

SPLINTER = 0.3
"""Distance of means, noise taken off, under which two persons hardly ever seen side by side are one, and two who are
seen side by side share what their faces say: pairs of pictures of one person lie 0.33-0.50 apart."""
LEAST_SHARE = 0.1
"""Part of one's faces, that may at least be the other's, of two who look alike and share a picture: nobody is known."""
MOST_TOGETHER = 6
"""Faces of a frame, next to one another in the table, whose distances are looked at."""


@dataclass(frozen=True, slots=True, eq=False)
class Roster:
    """P persons. `referenced` (P,). Per face: `by_hand`, `by_name`, `first` (N,) person or -1: names given by hand (or
    a reference face), names of regions, and the first sorting. Identity is a matter of sightings (`seen`).
    `most_together`: faces of the fullest frame, so many people there are at least. `near` (P, P): whom identity hardly
    tells apart (true on the diagonal); `share` (P,): part of the faces that are each person's, by the first sorting."""

    names: tuple[str, ...]
    referenced: BoolArray
    by_hand: IntArray
    by_name: IntArray
    first: IntArray
    seen: Sightings
    likeness: LikenessSettings
    most_together: int
    near: BoolArray
    share: FloatArray

    @property
    def n(self) -> int:
        return len(self.names)


def roster(table: Table, targets: tuple[PersonTarget, ...], moment: IntArray, s: PriorSettings) -> Roster:
    """The persons known before any colour is compared; `moment` (F,) of the frames."""
    names = [t.person for t in targets]
    names += sorted({f.name for f in table.faces if f.name} - set(names))
    names = names or ["person 1"]
    known = {name: i for i, name in enumerate(names)}
    by_name = np.array([known.get(f.name, -1) if f.name else -1 for f in table.faces], dtype=np.intp)
    by_hand = np.where([f.named_by_hand for f in table.faces], by_name, -1).astype(np.intp)
    for i, target in enumerate(targets):
        by_hand[list(target.faces)] = i
    by_name = np.where(by_hand >= 0, -1, by_name)
    seen = sightings(table, moment)
    first, extra = clusters(seen, seen.told(by_hand), seen.told(by_name), len(names), s.smallest_person)
    likeness = _likeness(seen.vector, seen.sd, seen.moment, first)
    names += free_labels(names, extra)
    most = int(np.bincount(table.face_frame, minlength=1).max(initial=1))
    referenced = np.arange(len(names)) < len(targets)
    weight = np.zeros((len(first), len(names)))
    weight[np.flatnonzero(first >= 0), first[first >= 0]] = 1.0
    near = inseparable(*means(seen.vector, seen.sd, weight))
    share = (weight.sum(axis=0) + 1.0) / (weight.sum() + len(names))
    return Roster(tuple(names), referenced, by_hand, by_name, first[seen.of_face], seen, likeness, most, near, share)


def _likeness(vector: FloatArray, sd: FloatArray, frame: IntArray, member: IntArray) -> LikenessSettings:
    """The densities with this shoot's share of people who look alike: two faces of one frame are two people.

    A pair of persons seen together often counts once, by its median distance.
    """
    found: dict[tuple[int, int], list[list[float]]] = {}
    good = np.flatnonzero(np.isfinite(sd))
    # Faces that belong to nobody so far are pairs of their own.
    number = np.where(member >= 0, member, -1 - np.arange(len(member)))
    for step in range(1, MOST_TOGETHER):
        together = np.flatnonzero(frame[good[:-step]] == frame[good[step:]])
        a, b = good[together], good[together + step]
        pairs = np.stack([np.linalg.norm(vector[a] - vector[b], axis=1), sd[a], sd[b]], axis=1)
        for p, q, values in zip(number[a].tolist(), number[b].tolist(), pairs.tolist(), strict=True):
            found.setdefault((min(p, q), max(p, q)), []).append(values)
    if not found:
        return LIKENESS
    rows = np.array([np.median(np.array(v), axis=0) for v in found.values()])
    return from_frames(rows[:, 0], rows[:, 1], rows[:, 2])


def means(vector: FloatArray, sd: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean vectors (P, 128) of persons and how many good faces they rest on (P,); weight (N, P)."""
    good = np.isfinite(sd)
    w = weight[good] * (usual_sd() / sd[good, None]) ** 2
    total = w.sum(axis=0)
    return np.asarray((w.T @ vector[good]) / np.maximum(total, 1e-9)[:, None]), np.asarray(total)


def ratios(
    seen: Sightings, weight: FloatArray, likeness: LikenessSettings
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """ln likelihood ratios (U, P), each sighting left out of the mean it is compared with; means and their counts.

    `weight` (U, P): how much of each person a sighting is.
    """
    out = np.zeros(weight.shape)
    mean, count = means(seen.vector, seen.sd, weight)
    good = np.flatnonzero(np.isfinite(seen.sd))
    x, sd = seen.vector[good], seen.sd[good]
    squared = (x**2).sum(axis=1)[:, None] + (mean**2).sum(axis=1) - 2.0 * x @ mean.T
    own = np.minimum(weight[good] * ((usual_sd() / sd) ** 2)[:, None], count)
    rest = count - own
    d = np.sqrt(np.maximum(squared, 0.0)) * np.where(rest > 0.05, count / np.maximum(rest, 0.05), 0.0)
    ratio = log_likelihood_ratio(d, sd[:, None], np.maximum(rest, 0.05), likeness)
    out[good] = np.where(rest > 0.05, ratio, 0.0)
    return out, mean, count


def alike_persons(x: Roster, r: FloatArray) -> BoolArray:
    """(P, P): pairs of persons whose faces the identity network cannot tell apart."""
    mean, count = means(x.seen.vector, x.seen.sd, x.seen.mean_of(r[:, :-1]))
    out: BoolArray = np.asarray(alike(mean[:, None], mean[None], count[:, None], count[None]), dtype=bool)
    out[count < 0.5] = False
    out[:, count < 0.5] = False
    np.fill_diagonal(out, False)
    return out


def inseparable(mean: FloatArray, count: FloatArray) -> BoolArray:
    """(P, P), true on the diagonal: persons whose vectors lie so close that a single face tells nothing."""
    near = alike(mean[:, None], mean[None], count[:, None], count[None], replace(LIKENESS, alike=SPLINTER))
    out: BoolArray = np.asarray(near & (count[:, None] > 0.5) & (count[None] > 0.5), dtype=bool)
    np.fill_diagonal(out, True)
    return out


def alike_shared(x: Roster, probability: FloatArray, apart: BoolArray, doubtful: BoolArray) -> FloatArray:
    """Probability (N, P + 1) where persons who look alike share what no name tells apart, by how often each is seen.

    Two who share a picture are surely two: each has some of the faces, however the sorting came out.
    `apart` (P, P): whose skins tell them apart where the light is known; `doubtful` (N,): faces where it may not be.
    """
    out = probability.copy()
    unnamed = (x.by_hand < 0) & (x.by_name < 0)
    often = x.share[:, None] / x.share
    often = np.where(together(x), np.clip(often, LEAST_SHARE, 1.0 / LEAST_SHARE), often)
    for rows, near in ((unnamed & ~doubtful, x.near & ~apart), (unnamed & doubtful, x.near)):
        mixing = near * often
        out[rows, :-1] = probability[rows, :-1] @ (mixing / mixing.sum(axis=0)).T
    return out


def together(x: Roster) -> BoolArray:
    """(P, P): persons of whom a moment shows both, by the first sorting."""
    person = x.seen.told(x.first)
    there = np.zeros((int(x.seen.moment.max(initial=-1)) + 1, x.n))
    there[x.seen.moment[person >= 0], person[person >= 0]] = 1.0
    both: BoolArray = np.asarray(there.T @ there > 0.0)
    np.fill_diagonal(both, False)
    return both


def free_labels(taken: list[str], count: int) -> list[str]:
    labels: list[str] = []
    number = 0
    while len(labels) < count:
        number += 1
        if f"person {number}" not in taken:
            labels.append(f"person {number}")
    return labels
