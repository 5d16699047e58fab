"""The persons of a shoot: references, names, names given by hand, and groups of like identity vectors.

A roster lists who there may be; who a face is stays a matter of probability (`evidence`). Persons without a name are
founded by identity: faces join the person they are most like, one person once per frame; a face that says little
founds nobody.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.likeness import DEFAULT as LIKENESS
from xmpsync.solve.likeness import LikenessSettings, alike, from_frames, log_likelihood_ratio, usual_sd
from xmpsync.solve.reference import Target
from xmpsync.solve.settings import PriorSettings
from xmpsync.solve.sightings import Sightings, sightings
from xmpsync.solve.tables import BoolArray, IntArray, Table

JOIN = 2.0
"""ln odds from which a face joins a person: a first sorting only, `evidence` weighs it again with everything else."""
APART = 0.0
"""ln odds under which a face is like nobody so far and may found a person."""
SPLINTER = 0.3
"""Distance of means, noise taken off, under which two persons hardly ever seen side by side are one, and two who are
seen side by side share what their faces say: pairs of pictures of one person lie 0.33-0.50 apart."""
TOGETHER = 0.15
"""Part of the frames of the rarer one that may show both by a wrongly sorted face."""
MOST_TOGETHER = 6
"""Faces of a frame, next to one another in the table, whose distances are looked at."""
SORTINGS = 3
SOFT_ROUNDS = 4
DISTANCES = np.linspace(0.0, 1.0, 41)
"""Where a face is asked whether it could be confirmed as anybody at all."""


@dataclass(frozen=True, slots=True, eq=False)
class Roster:
    """P persons. `referenced` (P,). Per face: `by_hand`, `by_name`, `first` (N,) person or -1: names given by hand (or
    a reference face), names of regions, and the first sorting. Identity is a matter of sightings (`seen`).
    `most_together`: faces of the fullest frame, so many people there are at least."""

    names: tuple[str, ...]
    referenced: BoolArray
    by_hand: IntArray
    by_name: IntArray
    first: IntArray
    seen: Sightings
    likeness: LikenessSettings
    most_together: int

    @property
    def n(self) -> int:
        return len(self.names)


def roster(table: Table, targets: tuple[Target, ...], moment: IntArray, s: PriorSettings) -> Roster:
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
    told = seen.told(np.where(by_hand >= 0, by_hand, by_name))
    first, extra = _sorted(seen, told, len(names), s, LIKENESS)
    likeness = _likeness(seen.vector, seen.sd, seen.moment, first)
    if likeness != LIKENESS:
        first, extra = _sorted(seen, told, len(names), s, likeness)
    names += _free_labels(names, extra)
    most = int(np.bincount(table.face_frame, minlength=1).max(initial=1))
    referenced = np.arange(len(names)) < len(targets)
    return Roster(tuple(names), referenced, by_hand, by_name, first[seen.of_face], seen, likeness, most)


def _likeness(vector: FloatArray, sd: FloatArray, frame: IntArray, member: IntArray) -> LikenessSettings:
    """The densities with this shoot's share of people who look alike: two faces of one frame are two people.

    A pair of persons seen together often counts once, by its median distance.
    """
    found: dict[tuple[int, int], list[tuple[float, float, float]]] = {}
    good = np.flatnonzero(np.isfinite(sd))
    for step in range(1, MOST_TOGETHER):
        for a, b in zip(good[:-step], good[step:], strict=True):
            if frame[a] == frame[b]:
                # Faces that belong to nobody so far are pairs of their own.
                key = tuple(sorted((int(member[i]) if member[i] >= 0 else -1 - int(i)) for i in (a, b)))
                distance = float(np.linalg.norm(vector[a] - vector[b]))
                found.setdefault((key[0], key[1]), []).append((distance, float(sd[a]), float(sd[b])))
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


def alike_shared(x: Roster, r: FloatArray, probability: FloatArray) -> FloatArray:
    """Probability (N, P + 1) where persons who look alike share what no name tells apart: none is guessed by skin.

    Skin decides only where the light is known, and a light is sometimes taken for its neighbour.
    """
    if not x.n or not np.isfinite(x.seen.sd).any():
        return probability
    mean, count = means(x.seen.vector, x.seen.sd, x.seen.mean_of(r[:, :-1]))
    near = inseparable(mean, count)
    out = probability.copy()
    unnamed = (x.by_hand < 0) & (x.by_name < 0)
    out[unnamed, :-1] = probability[unnamed, :-1] @ (near / near.sum(axis=0)).T
    return out


def _sorted(
    seen: Sightings, told: IntArray, n_known: int, s: PriorSettings, likeness: LikenessSettings
) -> tuple[IntArray, int]:
    """First sorting (U,) of sightings to persons, and how many persons beyond `n_known` there are."""
    vector, sd, frame = seen.vector, seen.sd, seen.moment
    member = told.copy()
    good = np.flatnonzero(np.isfinite(sd))
    if not len(good):
        return member, 0
    order = good[np.lexsort((good, sd[good]))]
    for _ in range(SORTINGS):
        member = _sorting(vector, sd, frame, told, member, order, n_known, likeness)
    member = _merged(vector, sd, frame, member, n_known, likeness)
    member = _without_splinters(seen, told, member, n_known, likeness)
    count = np.bincount(member[member >= 0], minlength=n_known)
    kept = np.flatnonzero(count[n_known:] >= s.smallest_person) + n_known
    number = np.full(max(len(count), n_known), -1, dtype=np.intp)
    number[:n_known] = np.arange(n_known)
    number[kept] = n_known + np.arange(len(kept))
    return np.where(member >= 0, number[member], -1).astype(np.intp), len(kept)


def _sorting(
    vector: FloatArray, sd: FloatArray, frame: IntArray, told: IntArray, before: IntArray, order: IntArray,
    n_known: int, likeness: LikenessSettings,
) -> IntArray:  # fmt: skip
    """One round: every face, surest first, to the person it is most like, leaving itself out of that person."""
    n = max(int(before.max(initial=-1)) + 1, n_known)
    member = before.copy()
    total, count = np.zeros((n + len(order), vector.shape[1])), np.zeros(n + len(order))
    weight = (usual_sd() / sd) ** 2
    for i in order:
        if member[i] >= 0:
            total[member[i]] += weight[i] * vector[i]
            count[member[i]] += weight[i]
    shown: dict[int, set[int]] = {}
    for i in order:
        if told[i] >= 0:
            shown.setdefault(int(frame[i]), set()).add(int(told[i]))
    for i in order:
        if told[i] >= 0:
            continue
        if member[i] >= 0:
            total[member[i]] -= weight[i] * vector[i]
            count[member[i]] -= weight[i]
        seen = np.flatnonzero(count[:n] > 0.05)
        here = shown.setdefault(int(frame[i]), set())
        best, odds = -1, -np.inf
        if len(seen):
            d = np.linalg.norm(total[seen] / count[seen, None] - vector[i], axis=1)
            ratio = log_likelihood_ratio(d, sd[i], count[seen], likeness)
            ratio = np.where([int(p) in here for p in seen], -np.inf, ratio)
            best, odds = int(seen[ratio.argmax()]), float(ratio.max())
        if odds <= JOIN:
            certain = float(log_likelihood_ratio(DISTANCES, sd[i], 1.0, likeness).max()) > JOIN
            best = n if odds < APART and certain else -1
            n += best == n
        member[i] = best
        if best >= 0:
            here.add(best)
            total[best] += weight[i] * vector[i]
            count[best] += weight[i]
    return member


def _without_splinters(
    seen: Sightings, told: IntArray, member: IntArray, n_known: int, likeness: LikenessSettings
) -> IntArray:
    """The sorting with persons joined who, once faces may belong to both, are the same.

    Faces far from their person may have founded another: with soft membership both means come to lie together.
    """
    n = int(member.max(initial=-1)) + 1
    if n <= n_known:
        return member
    weight = np.zeros((len(member), n))
    weight[np.flatnonzero(member >= 0), member[member >= 0]] = 1.0
    fixed = told >= 0
    hard = weight.copy()
    for _ in range(SOFT_ROUNDS):
        ratio = np.column_stack([ratios(seen, weight, likeness)[0], np.zeros(len(member))])
        soft = np.exp(ratio - ratio.max(axis=1, keepdims=True))
        soft /= soft.sum(axis=1, keepdims=True)
        weight = np.where(fixed[:, None], hard, soft[:, :-1])
        weight[~np.isfinite(seen.sd) & ~fixed] = 0.0
    mean, count = means(seen.vector, seen.sd, weight)
    near = inseparable(mean, count)
    out = member.copy()
    for b in range(n - 1, n_known - 1, -1):
        frames = set(seen.moment[out == b].tolist())
        for a in np.flatnonzero(near[b, :b]):
            others = set(seen.moment[out == a].tolist())
            if len(frames & others) <= TOGETHER * min(len(frames), len(others)):
                out[out == b] = a
                break
    return out


def _merged(
    vector: FloatArray, sd: FloatArray, frame: IntArray, member: IntArray, n_known: int, likeness: LikenessSettings
) -> IntArray:
    """Persons founded by identity that are one: alike, and never in one frame."""
    n = int(member.max(initial=-1)) + 1
    member = member.copy()
    weight = np.zeros((len(member), n))
    rows = np.flatnonzero((member >= 0) & np.isfinite(sd))
    weight[rows, member[rows]] = 1.0
    for b in range(n - 1, n_known - 1, -1):
        if not weight[:, b].any():
            continue
        mean, count = means(vector, sd, weight)
        frames = set(frame[weight[:, b] > 0].tolist())
        d = np.linalg.norm(mean - mean[b], axis=1)
        ratio = log_likelihood_ratio(d, usual_sd() / np.sqrt(max(count[b], 1.0)), np.maximum(count, 0.05), likeness)
        # One person's pictures in other lights and poses may found two: near enough, and never side by side.
        own = d**2 - usual_sd() ** 2 * (1.0 / np.maximum(count, 0.05) + 1.0 / max(count[b], 0.05))
        ratio = np.where(own < SPLINTER**2, np.maximum(ratio, JOIN + 1.0 - d), ratio)
        ratio[b] = -np.inf
        ratio[count <= 0] = -np.inf
        for a in np.argsort(-ratio, kind="stable"):
            if ratio[a] <= JOIN:
                break
            others = set(frame[weight[:, a] > 0].tolist())
            if len(frames & others) <= TOGETHER * min(len(frames), len(others)):
                weight[:, a] += weight[:, b]
                weight[:, b] = 0.0
                member[member == b] = a
                break
    return member


def _free_labels(taken: list[str], count: int) -> list[str]:
    labels: list[str] = []
    number = 0
    while len(labels) < count:
        number += 1
        if f"person {number}" not in taken:
            labels.append(f"person {number}")
    return labels
