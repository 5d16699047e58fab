"""The persons while light groups are being laid on them: found by repeated colours, recoloured, dropped again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from xmpsync.colour.arrays import FloatArray, apply, inverse
from xmpsync.solve.constellation import Constellation, who
from xmpsync.solve.persons import Population, Roster, pointed_at, with_new
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.tables import BoolArray

SMALLEST_COUNT = 1.5
"""Faces below which a person found by colour is dropped again."""


def grown(c: Constellation, d: FloatArray, roster: Roster, people: Population, s: SolveSettings) -> Roster:
    """The roster after this group: repeated colours that fit nobody become persons."""
    told: BoolArray = np.asarray(pointed_at(roster).any(axis=1))
    for _ in range(s.persons.most_persons):
        if int((~roster.named & ~roster.referenced).sum()) >= s.persons.most_persons:
            break
        r = who(c, d, roster, people)
        # A face that names or identity give to somebody is no evidence for a new person.
        free = (r[:, -1] > 0.5) & ~told[c.rows]
        candidates = np.flatnonzero(free)
        if len(candidates) < s.persons.smallest_person:
            break
        z = c.y[candidates] + d
        gap = z[:, None, :] - z[None, :, :]
        q = np.einsum("abi,aij,abj->ab", gap, inverse(c.covariance[candidates]), gap)
        near = q < 0.5 * s.persons.new_person_chi2
        best = int(np.argmax(near.sum(axis=1)))
        if near[best].sum() < s.persons.smallest_person:
            break
        own = np.linalg.inv(inverse(c.covariance[candidates[near[best]]]).sum(axis=0))
        roster = with_new(roster, z[near[best]].mean(axis=0), own, people)
    return roster


def pruned(roster: Roster, counts: FloatArray) -> tuple[Roster, FloatArray]:
    """Without persons found by colour whom hardly a face shows any more."""
    keep = roster.referenced | roster.named | (counts.sum(axis=0) >= SMALLEST_COUNT)
    return (roster, counts) if keep.all() else (kept(roster, keep), counts[:, keep])


def kept(roster: Roster, keep: BoolArray) -> Roster:
    columns = np.append(keep, True)
    share = roster.share[columns]
    return replace(
        roster,
        names=tuple(n for n, k in zip(roster.names, keep, strict=True) if k),
        named=roster.named[keep],
        referenced=roster.referenced[keep],
        z=roster.z[keep],
        covariance=roster.covariance[keep],
        prior_mean=roster.prior_mean[keep],
        prior_precision=roster.prior_precision[keep],
        log_prior=roster.log_prior[:, columns],
        share=share / share.sum(),
    )


def only(roster: Roster, usable: BoolArray) -> Roster:
    """The roster with the other persons out of reach (their share is next to nothing)."""
    share = np.where(np.append(usable, True), roster.share, 1e-9)
    return replace(roster, share=share / share.sum())


def counts_of(
    sets: list[Constellation], shift: dict[int, FloatArray], roster: Roster, people: Population
) -> FloatArray:
    return np.array([
        who(c, shift[i], roster, people)[:, :-1].sum(axis=0) for i, c in enumerate(sets)
    ]).reshape(-1, roster.n)  # fmt: skip


def recoloured(sets: list[Constellation], shift: dict[int, FloatArray], roster: Roster, people: Population) -> Roster:
    """Persons' colours and shares from all faces where the groups lie now; references stay."""
    precision = roster.prior_precision.copy()
    right = apply(precision, roster.prior_mean)
    share = np.where(np.append(roster.referenced, False), 3.0, 0.5)
    for i, c in enumerate(sets):
        r = who(c, shift[i], roster, people)
        share = share + r.sum(axis=0)
        own = inverse(c.covariance)
        precision += np.einsum("np,nij->pij", r[:, :-1], own)
        right += np.einsum("np,nij,nj->pi", r[:, :-1], own, c.y + shift[i])
    covariance: FloatArray = np.linalg.inv(precision).astype(float)
    z = apply(covariance, right)
    return replace(roster, z=z, covariance=covariance, share=share / share.sum())
