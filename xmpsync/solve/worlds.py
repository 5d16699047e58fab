"""Several rosters side by side: each world is one idea of which persons there are, tried at the same time as others.

What a world does (found a person, drop one, take colours and shares anew from its faces) leaves the others alone; only
the arrays are shared, so that many worlds cost few calls. A person's place that a world does not use is not `alive`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray, apply, inverse
from xmpsync.solve.constellation import Constellations
from xmpsync.solve.persons import Population, Roster, pointed_at, with_new
from xmpsync.solve.tables import BoolArray, IntArray

SMALLEST_COUNT = 1.5
"""Faces below which a person found by colour is dropped again."""


@dataclass(frozen=True, slots=True, eq=False)
class Worlds:
    """W worlds of up to P persons over M faces.

    `roster` (W,): which of the rosters a world began with; `source` (W, P): the person's row there, -1 where found
    since. `prior` (W, M, P + 1): how well name and identity speak for each person, last column `someone else`; `told`
    (W, M): faces whom these give to somebody. The rest as in `Roster`, with a leading axis of worlds.
    """

    roster: IntArray
    source: IntArray
    alive: BoolArray
    referenced: BoolArray
    named: BoolArray
    z: FloatArray
    covariance: FloatArray
    prior_mean: FloatArray
    prior_precision: FloatArray
    prior: FloatArray
    told: BoolArray
    share: FloatArray

    @property
    def n(self) -> int:
        """Number of worlds W."""
        return len(self.roster)

    @property
    def found(self) -> BoolArray:
        """(W, P): persons known by their colour alone."""
        return self.alive & ~self.referenced & ~self.named


def worlds(rosters: tuple[Roster, ...], c: Constellations, people: Population) -> Worlds:
    """One world for each roster."""
    most = max(r.n for r in rosters)
    out = _empty(len(rosters), most, len(c.rows), people)
    for w, r in enumerate(rosters):
        persons = slice(0, r.n)
        out.roster[w] = w
        out.source[w, persons] = np.arange(r.n)
        out.alive[w, persons] = True
        for name in ("referenced", "named", "z", "covariance", "prior_mean", "prior_precision"):
            getattr(out, name)[w, persons] = getattr(r, name)
        out.prior[w][:, [*range(r.n), most]] = np.exp(r.log_prior[c.rows])
        out.share[w, [*range(r.n), most]] = r.share
        out.told[w] = pointed_at(r)[c.rows].any(axis=1)
    return out


def _empty(n: int, persons: int, faces: int, people: Population) -> Worlds:
    nobody = np.zeros((n, persons), dtype=bool)
    precision = np.linalg.inv(people.covariance)
    return Worlds(
        roster=np.zeros(n, dtype=np.intp),
        source=np.full((n, persons), -1, dtype=np.intp),
        alive=nobody,
        referenced=nobody.copy(),
        named=nobody.copy(),
        z=np.tile(people.mean, (n, persons, 1)),
        covariance=np.tile(people.covariance, (n, persons, 1, 1)),
        prior_mean=np.tile(people.mean, (n, persons, 1)),
        prior_precision=np.tile(precision, (n, persons, 1, 1)),
        prior=np.zeros((n, faces, persons + 1)),
        told=np.zeros((n, faces), dtype=bool),
        share=np.zeros((n, persons + 1)),
    )


def taken(w: Worlds, rows: IntArray) -> Worlds:
    """Copies of some worlds, in the order of `rows` (each may come several times)."""
    return Worlds(
        w.roster[rows], w.source[rows], w.alive[rows], w.referenced[rows], w.named[rows], w.z[rows],
        w.covariance[rows], w.prior_mean[rows], w.prior_precision[rows], w.prior[rows], w.told[rows], w.share[rows],
    )  # fmt: skip


def joined(parts: list[Worlds], people: Population) -> Worlds:
    """The worlds of all parts, one after the other."""
    most = max(p.alive.shape[1] for p in parts)
    wide = [_with_room(p, most - p.alive.shape[1], people) for p in parts]
    return Worlds(
        np.concatenate([p.roster for p in wide]), np.concatenate([p.source for p in wide]),
        np.concatenate([p.alive for p in wide]), np.concatenate([p.referenced for p in wide]),
        np.concatenate([p.named for p in wide]), np.concatenate([p.z for p in wide]),
        np.concatenate([p.covariance for p in wide]), np.concatenate([p.prior_mean for p in wide]),
        np.concatenate([p.prior_precision for p in wide]), np.concatenate([p.prior for p in wide]),
        np.concatenate([p.told for p in wide]), np.concatenate([p.share for p in wide]),
    )  # fmt: skip


def _with_room(w: Worlds, more: int, people: Population) -> Worlds:
    """The same worlds with `more` unused places."""
    if more <= 0:
        return w
    old = w.alive.shape[1]
    out = _empty(w.n, old + more, w.prior.shape[1], people)
    out.roster[:], out.told[:] = w.roster, w.told
    for name in ("source", "alive", "referenced", "named", "z", "covariance", "prior_mean", "prior_precision"):
        getattr(out, name)[:, :old] = getattr(w, name)
    for name in ("prior", "share"):
        getattr(out, name)[..., :old] = getattr(w, name)[..., :-1]
        getattr(out, name)[..., -1] = getattr(w, name)[..., -1]
    return out


def packed(w: Worlds) -> Worlds:
    """The same worlds without places that none of them uses; persons of a world keep their order."""
    used = int(w.alive.sum(axis=1).max(initial=0))
    if used == w.alive.shape[1]:
        return w
    order = np.argsort(~w.alive, axis=1, kind="stable")[:, :used]
    last = np.concatenate([order, np.full((w.n, 1), w.alive.shape[1], dtype=np.intp)], axis=1)
    row = np.arange(w.n)[:, None]
    return replace(
        w,
        source=w.source[row, order],
        alive=w.alive[row, order],
        referenced=w.referenced[row, order],
        named=w.named[row, order],
        z=w.z[row, order],
        covariance=w.covariance[row, order],
        prior_mean=w.prior_mean[row, order],
        prior_precision=w.prior_precision[row, order],
        prior=np.take_along_axis(w.prior, last[:, None, :], axis=2),
        share=w.share[row, last],
    )


def founded(w: Worlds, rows: IntArray, z: FloatArray, covariance: FloatArray, people: Population) -> Worlds:
    """The worlds after each of `rows` (K,), all different, found a person at z (K, 3), known to `covariance`."""
    used = np.where(w.alive, np.arange(1, w.alive.shape[1] + 1), 0).max(axis=1, initial=0)[rows]
    out = _with_room(taken(w, np.arange(w.n)), int(used.max()) + 1 - w.alive.shape[1], people)
    at = (rows, used)
    out.source[at], out.alive[at] = -1, True
    out.referenced[at] = out.named[at] = False
    out.z[at], out.covariance[at] = z, covariance
    out.prior_mean[at], out.prior_precision[at] = people.mean, np.linalg.inv(people.covariance)
    # A face whose name or identity points to somebody is as unlikely this one as it is `someone else`.
    out.prior[rows, :, used] = out.prior[rows, :, -1]
    out.share[at] = out.share[rows, -1]
    return out


def without(w: Worlds, gone: BoolArray) -> Worlds:
    """The worlds without the persons `gone` (W, P)."""
    share = np.where(np.append(gone, np.zeros((w.n, 1), dtype=bool), axis=1), 0.0, w.share)
    return replace(w, alive=w.alive & ~gone, share=share / share.sum(axis=1, keepdims=True))


def recoloured(w: Worlds, counts: FloatArray, information: FloatArray, pull: FloatArray) -> Worlds:
    """Persons' colours and shares from all faces where the groups lie now; references stay.

    `counts` (W, P + 1): faces of each person; `information` (W, P, 3, 3) and `pull` (W, P, 3): sums of precision and
    precision times colour over them.
    """
    precision = w.prior_precision + information
    covariance = inverse(precision)
    z = apply(covariance, apply(w.prior_precision, w.prior_mean) + pull)
    used = np.append(w.alive, np.ones((w.n, 1), dtype=bool), axis=1)
    first = np.append(np.where(w.referenced, 3.0, 0.5), np.full((w.n, 1), 0.5), axis=1)
    share = np.where(used, first + counts, 0.0)
    return replace(w, z=z, covariance=covariance, share=share / share.sum(axis=1, keepdims=True))


def roster_of(w: Worlds, world: int, rosters: tuple[Roster, ...], people: Population) -> Roster:
    """One world as a roster over all faces of the table."""
    own = rosters[int(w.roster[world])]
    persons = np.flatnonzero(w.alive[world])
    persons = persons[np.argsort(w.source[world, persons] < 0, kind="stable")]
    keep = w.source[world, persons[w.source[world, persons] >= 0]]
    columns = np.append(keep, own.n)
    out = replace(
        own,
        names=tuple(own.names[k] for k in keep),
        named=own.named[keep],
        referenced=own.referenced[keep],
        z=own.z[keep],
        covariance=own.covariance[keep],
        prior_mean=own.prior_mean[keep],
        prior_precision=own.prior_precision[keep],
        log_prior=own.log_prior[:, columns],
        share=own.share[columns],
    )
    for p in persons[len(keep) :]:
        out = with_new(out, w.z[world, p], w.covariance[world, p], people)
    return replace(
        out,
        z=w.z[world, persons],
        covariance=w.covariance[world, persons],
        share=w.share[world, np.append(persons, w.alive.shape[1])],
    )
