"""Who may be who: the persons known, the prior probability of each for each face, and what people look like at all.

A face is a mixture over the persons known and `someone else`. The prior part of the mixture comes from names in face
regions (trusted to `name_trust`, since catalogues confuse people) and, where identity vectors are present, from
their distances: the log ratio of two normal densities, same person against another. The rest of the evidence, a
face's colour under its group's correction and the other faces of its frame, is added in `mixture`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.reference import Target
from xmpsync.solve.settings import PersonSettings
from xmpsync.solve.tables import BoolArray, IntArray, Table

SKIN_LEVEL = -1.9
"""log2 Y of a middle skin: CIELAB L 57."""
CHROMA_AT_LEVEL = (6.2, -11.0)
CHROMA_BY_LEVEL = (-2.6, 2.9)
"""Mean z1, z2 of skin at `SKIN_LEVEL` and its change per EV of luminance: published class means, very light (75, 8, 15)
to dark (35, 13, 17), in this coordinate."""
MOST_FACES_APART = 12
"""Faces of a frame, next to one another in the table, that are compared with one another."""

DECISIVE = 2.0
"""Log ratio between the most and the least probable person from which name or identity count as telling."""


@dataclass(frozen=True, slots=True, eq=False)
class Population:
    """Skin colour of people in general under this shoot's look: mean (3,), covariance (3, 3).

    `look_covariance` (3, 3): how far the look may be from where the mean has it, the same for everybody.
    """

    mean: FloatArray
    covariance: FloatArray
    look_covariance: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Roster:
    """P persons: `z` (P, 3) their own colour so far (`covariance`), its prior, and whether a reference pins it.

    `reference_of` (N,): the person whose reference a face is, -1 for all others.

    `log_prior` (N, P + 1): ln of how well name and identity speak for each person, last column `someone else`; without
    the shares of the persons (`share`, (P + 1,)).
    """

    names: tuple[str, ...]
    named: BoolArray
    referenced: BoolArray
    z: FloatArray
    covariance: FloatArray
    prior_mean: FloatArray
    prior_precision: FloatArray
    log_prior: FloatArray
    share: FloatArray
    reference_of: IntArray

    @property
    def n(self) -> int:
        return len(self.names)


def population(targets: tuple[Target, ...], s: PersonSettings) -> Population:
    """Mean and spread of skin: the published mean, half moved by the look of the references."""
    look, level = np.zeros(2), SKIN_LEVEL
    if targets:
        z = np.mean([t.z for t in targets], axis=0)
        level = 0.5 * (SKIN_LEVEL + float(z[2]))
        look = s.look_weight * (z[:2] - _typical(float(z[2])))
    slope = np.array([*CHROMA_BY_LEVEL, 1.0])
    own = np.diag([s.population_z_sd**2 * 0.4, s.population_z_sd**2 * 0.4, 0.01])
    return Population(
        mean=np.array([*(_typical(level) + look), level]),
        covariance=own + s.population_ev_sd**2 * np.outer(slope, slope),
        look_covariance=np.diag([s.look_z_sd**2, s.look_z_sd**2, s.look_ev_sd**2]),
    )


def roster(table: Table, targets: tuple[Target, ...], people: Population, s: PersonSettings) -> Roster:
    """The persons known before any colour is compared: references, names, and groups of like identity vectors."""
    names = [t.person for t in targets]
    names += sorted({f.name for f in table.faces if f.name} - set(names))
    known = {name: i for i, name in enumerate(names)}
    member = np.array([known.get(f.name, -1) if f.name else -1 for f in table.faces], dtype=np.intp)
    for i, target in enumerate(targets):
        member[list(target.faces)] = i
    member, extra = _by_identity(table, member, len(names), s)
    names += _free_labels(names, extra)
    n = len(names)
    z = np.tile(people.mean, (n, 1))
    precision = np.tile(np.linalg.inv(people.covariance), (n, 1, 1))
    referenced = np.zeros(n, dtype=bool)
    for i, target in enumerate(targets):
        z[i], referenced[i] = target.z, True
        precision[i] = np.diag([s.reference_z_sd**-2, s.reference_z_sd**-2, s.reference_ev_sd**-2])
    log_prior = _log_prior(table, member, n, targets, s)
    reference_of = np.full(table.n_faces, -1, dtype=np.intp)
    for i, target in enumerate(targets):
        reference_of[list(target.faces)] = i
    return Roster(
        names=tuple(names),
        named=np.array([(i < len(targets) and targets[i].named) or i >= len(targets) for i in range(n)], dtype=bool),
        referenced=referenced,
        z=z,
        covariance=np.linalg.inv(precision).reshape(-1, 3, 3),
        prior_mean=z.copy(),
        prior_precision=precision.reshape(-1, 3, 3),
        log_prior=log_prior,
        share=np.full(n + 1, 1.0 / (n + 1)),
        reference_of=reference_of,
    )


def pointed_at(r: Roster) -> BoolArray:
    """(N, P): the one person at whom a face's name or identity points."""
    known = r.log_prior[:, :-1]
    out = np.zeros(known.shape, dtype=bool)
    if known.size:
        best = known.argmax(axis=1)
        rest = r.log_prior.copy()
        rest[np.arange(len(rest)), best] = -np.inf
        rows = np.arange(len(best))
        out[rows, best] = known[rows, best] - rest.max(axis=1) >= DECISIVE
    return out


def told(r: Roster) -> float:
    """Share of faces for which name or identity already say who it is."""
    if not len(r.log_prior):
        return 1.0
    return float(pointed_at(r).any(axis=1).mean())


def with_new(r: Roster, z: FloatArray, covariance: FloatArray, people: Population) -> Roster:
    """The roster with one more person, found by colour at z, known to `covariance`."""
    n_faces = len(r.log_prior)
    # A face whose name or identity points to somebody is as unlikely this one as it is `someone else`.
    column = r.log_prior[:, -1:].copy() if n_faces else np.zeros((0, 1))
    return replace(
        r,
        names=(*r.names, *_free_labels(list(r.names), 1)),
        named=np.append(r.named, False),
        referenced=np.append(r.referenced, False),
        z=np.vstack([r.z, z]),
        covariance=np.concatenate([r.covariance, covariance[None]]),
        prior_mean=np.vstack([r.prior_mean, people.mean]),
        prior_precision=np.concatenate([r.prior_precision, np.linalg.inv(people.covariance)[None]]),
        log_prior=np.concatenate([r.log_prior[:, :-1], column, r.log_prior[:, -1:]], axis=1),
        share=np.append(r.share, r.share[-1]),
    )


def _typical(level: float) -> FloatArray:
    return np.array(CHROMA_AT_LEVEL) + np.array(CHROMA_BY_LEVEL) * (level - SKIN_LEVEL)


def _log_prior(
    table: Table,
    member: np.ndarray[tuple[int], np.dtype[np.intp]],
    n: int,
    targets: tuple[Target, ...],
    s: PersonSettings,
) -> FloatArray:
    """ln of how well name and identity speak for each person, up to a constant per face."""
    out = np.zeros((table.n_faces, n + 1))
    wrong = np.log((1.0 - s.name_trust) / max(n, 1))
    for i, face in enumerate(table.faces):
        if face.name is not None and member[i] >= 0:
            out[i] = wrong
            out[i, member[i]] = np.log(s.name_trust)
    out += _identity_log_ratio(table, member, n, s)
    for person, target in enumerate(targets):
        rows = list(target.faces)
        out[rows] = -50.0
        out[rows, person] = 0.0
    return out


def _identity_log_ratio(
    table: Table, member: np.ndarray[tuple[int], np.dtype[np.intp]], n: int, s: PersonSettings
) -> FloatArray:
    """ln p(distance | same) - ln p(distance | other) to the mean vector of each person, 0 where there is none.

    Both densities are mixtures: `identity_lost` of one person's pairs look like strangers (dark, turned away), `alike`
    of two persons' pairs look like one. So neither says more than the shoot itself bears out.
    """
    out = np.zeros((table.n_faces, n + 1))
    rows = np.array([i for i, f in enumerate(table.faces) if f.identity], dtype=np.intp)
    if not len(rows):
        return out
    vectors = np.array([table.faces[i].identity for i in rows], float)
    alike = lookalikes(table, s)
    for person in range(n):
        own = member[rows] == person
        if not own.any():
            continue
        centre = vectors[own].mean(axis=0)
        distance = np.linalg.norm(vectors - centre, axis=1)
        # Distances to a mean of m vectors are shorter: d^2 loses half the within-person square, (1 - 1/m).
        m = int(own.sum())
        distance = np.sqrt(distance**2 + 0.5 * s.identity_same_mean**2 * (1.0 - 1.0 / m))
        # Nearer than usual is no stronger sign than usual.
        near = np.maximum(distance, s.identity_same_mean)
        same = -0.5 * ((near - s.identity_same_mean) / s.identity_same_sd) ** 2 - np.log(s.identity_same_sd)
        other = -0.5 * ((near - s.identity_other_mean) / s.identity_other_sd) ** 2 - np.log(s.identity_other_sd)
        lost, alike_log = s.identity_lost, np.log(alike)
        out[rows, person] = np.logaddexp(np.log1p(-lost) + same, np.log(lost) + other) - np.logaddexp(
            np.log1p(-alike) + other, alike_log + same
        )
    return out


def _by_identity(
    table: Table, member: np.ndarray[tuple[int], np.dtype[np.intp]], n: int, s: PersonSettings
) -> tuple[np.ndarray[tuple[int], np.dtype[np.intp]], int]:
    """Members after unnamed vectors joined persons or formed new ones (leader clustering in time), and how many."""
    member = member.copy()
    sums: list[FloatArray] = []
    counts: list[int] = []
    for person in range(n):
        own = [table.faces[i].identity for i in np.flatnonzero(member == person) if table.faces[i].identity]
        sums.append(np.sum(np.array(own, float), axis=0) if own else np.zeros(0))
        counts.append(len(own))
    if np.log(lookalikes(table, s)) > -DECISIVE:
        return member, 0
    unnamed = [i for i, f in enumerate(table.faces) if f.identity and member[i] < 0]
    for frame in dict.fromkeys(int(table.face_frame[i]) for i in unnamed):
        here = np.arange(*np.searchsorted(table.face_frame, [frame, frame + 1]))
        taken = {int(k) for k in member[here] if k >= 0}
        left = [int(i) for i in here if table.faces[i].identity and member[i] < 0]
        pairs = sorted(
            (distance, i, k)
            for i in left
            for k, distance in enumerate(_to_clusters(np.array(table.faces[i].identity, float), sums, counts, s))
            if distance < s.identity_linkage + s.identity_same_sd
        )
        # A frame shows nobody twice: the nearest pairs first, each cluster once.
        for _, i, k in pairs:
            if member[i] < 0 and k not in taken:
                member[i] = k
                taken.add(k)
        for i in left:
            vector = np.array(table.faces[i].identity, float)
            if member[i] < 0:
                member[i] = len(sums)
                sums.append(vector)
                counts.append(1)
            else:
                k = int(member[i])
                sums[k] = sums[k] + vector if counts[k] else vector
                counts[k] += 1
    # Persons seen once are nobody: their faces are free again.
    keep = [k for k in range(len(sums)) if k < n or counts[k] >= s.smallest_person]
    number = {k: i for i, k in enumerate(keep)}
    member = np.array([number.get(int(k), -1) for k in member], dtype=np.intp)
    return member, len(keep) - n


def _to_clusters(vector: FloatArray, sums: list[FloatArray], counts: list[int], s: PersonSettings) -> list[float]:
    return [
        float(np.sqrt(((vector - a / c) ** 2).sum() + 0.5 * s.identity_same_mean**2 * (1 - 1 / c))) if c else np.inf
        for a, c in zip(sums, counts, strict=True)
    ]


def lookalikes(table: Table, s: PersonSettings) -> float:
    """How often two different people of this shoot look like one to the identity model.

    Two faces of one frame are two people, so they show it; with `identity_alike_pairs` pairs' worth of belief in
    `identity_alike`.
    """
    near, pairs = 0, 0
    with_vector = np.array([f.identity is not None for f in table.faces], dtype=bool)
    for step in range(1, MOST_FACES_APART):
        a = np.flatnonzero(
            with_vector[:-step] & with_vector[step:] & (table.face_frame[:-step] == table.face_frame[step:])
        )
        if not len(a):
            continue
        first = np.array([table.faces[i].identity for i in a], float)
        second = np.array([table.faces[i + step].identity for i in a], float)
        near += int((np.linalg.norm(first - second, axis=1) < s.identity_alike_distance).sum())
        pairs += len(a)
    return float((s.identity_alike * s.identity_alike_pairs + near) / (s.identity_alike_pairs + pairs))


def _free_labels(taken: list[str], count: int) -> list[str]:
    out: list[str] = []
    number = 0
    while len(out) < count:
        number += 1
        if (label := f"person {number}") not in taken:
            out.append(label)
    return out
