"""How well shifts of groups explain their faces, for many groups, worlds and shifts at once.

    score(d) = sum_i ln [ sum_p pi_ip t(y_i + d - S_p) + pi_i0 N(y_i + d; people) ]  +  ln t(d; light)

y_i the faces of a group at a common white, S_p the persons. With T_ip = covariance of the face + covariance of the
person, L_ip its inverse and e_ip = S_p - y_i, the squared distance

    q_ip(d) = (d - e_ip)' L_ip (d - e_ip) = L_ip . d d' - 2 (L_ip e_ip) . d + e_ip' L_ip e_ip

is linear in the ten numbers (d d', d, 1). So a batch is prepared once, as ten numbers per face and person, and then any
shifts of a group are one matrix product. Densities are kept as they are, without logarithms: Student's t falls as a
power and cannot vanish.

One step of expectation and maximisation is linear in the same way: with r_ip the responsibilities at d,

    (sum_ip r_ip A_ip + light) d' = sum_ip r_ip A_ip e_ip + light,   A_ip = inverse of the face's covariance,

and for `someone else` A_i0 = inverse of (covariance of the face + people's), e_i0 = people - y_i.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.constellation import Constellations
from xmpsync.solve.mixture import DEGREES_OF_FREEDOM, T_CONSTANT, excluded
from xmpsync.solve.persons import Population
from xmpsync.solve.tables import BoolArray, IntArray
from xmpsync.solve.worlds import Worlds

ABSENT_COST = 2.0
"""Log evidence against a light group that shows nobody with a reference: references are people who are there a lot."""
TAILS = 4.0
"""Degrees of freedom of the light prior (Student's t): a silhouette or a lamp far from as-shot stays possible."""
PIECE = 1 << 16
"""Densities worked on at a time."""
SMALLEST = 1e-300
"""Density that counts as none."""
_ROW, _COLUMN = np.array([0, 1, 2, 0, 0, 1]), np.array([0, 1, 2, 1, 2, 2])
"""The six numbers of a symmetric matrix."""
_TWICE = np.array([1.0, 1.0, 1.0, 2.0, 2.0, 2.0])


@dataclass(frozen=True, slots=True, eq=False)
class Items:
    """K pairs of a world and a group: `world`, `group` (K,); their M' faces side by side: `face` of the constellations,
    `item` (M',), `start` (K + 1,)."""

    world: IntArray
    group: IntArray
    face: IntArray
    item: IntArray
    start: IntArray

    @property
    def n(self) -> int:
        """Number of pairs K."""
        return len(self.group)


def items(c: Constellations, world: IntArray, group: IntArray) -> Items:
    """The pairs (world, group), each with all faces of its group."""
    size = c.size[group]
    start = np.concatenate([[0], np.cumsum(size)])
    item = np.repeat(np.arange(len(group)), size)
    face = np.arange(start[-1]) - start[item] + c.start[group][item]
    return Items(world, group, face, item, start)


class Likelihood:
    """A batch of items, prepared; shifts are (K, C, 3), faces (M', P + 1, C) with `someone else` last."""

    def __init__(self, c: Constellations, w: Worlds, batch: Items, people: Population) -> None:
        self.batch = batch
        self.pinned: BoolArray = c.pinned[batch.group]
        self.theta_by_z = c.theta_by_z[batch.group]
        self.prior_mean, self.prior_sd = c.prior_mean[batch.group], c.prior_sd[batch.group]
        self.referenced = w.referenced[batch.world]
        self.persons = w.alive.shape[1]
        # Every face stands with its frame's others: runs of one item and one frame.
        face, world = batch.face, batch.world[batch.item]
        new = np.ones(len(face), dtype=bool)
        new[1:] = (np.diff(batch.item) != 0) | (np.diff(c.frame[face]) != 0)
        self.run_start: IntArray = np.flatnonzero(new)
        self.run: IntArray = np.cumsum(new) - 1
        self.y, self.people_mean = c.y[face], people.mean

        own = c.covariance[:, _ROW, _COLUMN].T
        wide_inverse, wide_det = _inverse(own + people.covariance[_ROW, _COLUMN][:, None])
        total = own[:, face, None] + w.covariance[:, :, _ROW, _COLUMN].transpose(2, 0, 1)[:, world]
        known_inverse, known_det = _inverse(total)
        away = w.z[world] - c.y[face][:, None, :]
        self.away = np.concatenate([away, (people.mean - c.y)[face][:, None, :]], axis=1)
        precision = np.concatenate([known_inverse, wide_inverse[:, face, None]], axis=2)
        self.form = _form(precision, self.away)
        # The constants of both densities go into the form: 1 + q / nu, and ln of the stranger's density.
        self.form[:, :-1] /= DEGREES_OF_FREEDOM
        self.form[:, :-1, 9] += 1.0
        prior = w.prior[world, face] * w.share[world]
        self.weight = np.exp(T_CONSTANT) * prior[:, :-1] / np.sqrt(known_det)
        self.form[:, -1] *= -0.5
        self.form[:, -1, 9] += np.log(np.maximum(prior[:, -1], SMALLEST)) - 0.5 * np.log(wide_det[face])
        self._moments(c, face, own, wide_inverse)

    def _moments(self, c: Constellations, face: IntArray, own: FloatArray, wide_inverse: FloatArray) -> None:
        """A_ip (six numbers) and A_ip e_ip of every face and person."""
        own_inverse = _inverse(own)[0]
        a = np.empty((len(face), self.persons + 1, 9))
        a[:, :-1, :6] = own_inverse[:, face].T[:, None]
        a[:, -1, :6] = wide_inverse[:, face].T
        a[..., 6:] = _times(np.moveaxis(a[..., :6], -1, 0), self.away)
        self.moments = a

    def reachable(self, usable: BoolArray) -> None:
        """From now on only persons `usable` (K, P) count."""
        self.weight = np.where(usable[self.batch.item], self.weight, 0.0)

    def densities(self, d: FloatArray) -> FloatArray:
        """(M', P + 1, C): prior times density."""
        return self._densities(d, 0, self.batch.n)

    def _densities(self, d: FloatArray, first: int, last: int) -> FloatArray:
        """The same for the items from `first` to before `last`."""
        faces = slice(int(self.batch.start[first]), int(self.batch.start[last]))
        features, form = _features(d[first:last]), self.form[faces]
        persons, shifts = self.persons + 1, d.shape[1]
        if shifts == 1:
            q = np.matmul(form, features[self.batch.item[faces] - first])
        else:
            q = np.empty((len(form), persons, shifts))
            flat_form, flat = form.reshape(-1, 10), q.reshape(-1, shifts)
            for k, (begin, end) in enumerate(self._limits(first, last)):
                np.matmul(flat_form[begin:end], features[k], out=flat[begin:end])
        # weight * (1 + q / nu) ** -4.5, without a power
        known = q[:, :-1]
        np.sqrt(known, out=known)
        np.divide(1.0, known, out=known)
        fourth = known * known
        fourth *= fourth
        known *= fourth
        known *= fourth
        known *= self.weight[faces, :, None]
        np.exp(q[:, -1], out=q[:, -1])
        return np.asarray(q)

    def _limits(self, first: int, last: int) -> Iterator[tuple[int, int]]:
        """Rows of each item from `first` to before `last`, a row for each face and person, counted from the first."""
        rows = (self.batch.start[first : last + 1] - self.batch.start[first]) * (self.persons + 1)
        return pairwise(rows.tolist())

    def _pieces(self, shifts: int) -> Iterator[tuple[int, int]]:
        """Runs of items small enough that their densities stay in the processor's cache."""
        most = max(1, PIECE // (shifts * (self.persons + 1)))
        first = 0
        while first < self.batch.n:
            last = int(np.searchsorted(self.batch.start, self.batch.start[first] + most, side="right")) - 1
            last = min(max(last, first + 1), self.batch.n)
            yield first, last
            first = last

    def score(self, d: FloatArray) -> FloatArray:
        """(K, C): log evidence of shifts."""
        out = np.where(
            self.pinned[:, None], 0.0, -0.5 * (TAILS + 1.0) * np.log1p(self._off(d) ** 2 / TAILS).sum(axis=2)
        )
        for first, last in self._pieces(d.shape[1]):
            density = self._densities(d, first, last)
            start = self.batch.start[first : last + 1] - self.batch.start[first]
            of_references = self.referenced[self.batch.item[self.batch.start[first] : self.batch.start[last]]]
            total = np.maximum(density.sum(axis=1), SMALLEST)
            seen = np.einsum("mpc,mp->mc", density[:, :-1], of_references.astype(float)) / total
            out[first:last] += np.add.reduceat(np.log(total), start[:-1], axis=0)
            out[first:last] -= ABSENT_COST * np.exp(-np.add.reduceat(seen, start[:-1], axis=0))
        return out

    def refined(self, d: FloatArray) -> FloatArray:
        """(K, C, 3): shifts after one step of expectation and maximisation."""
        shifts = d.shape[1]
        sums = np.empty((self.batch.n, shifts, 9))
        for first, last in self._pieces(shifts):
            r = self._densities(d, first, last)
            r /= np.maximum(r.sum(axis=1, keepdims=True), SMALLEST)
            moments = self.moments[self.batch.start[first] : self.batch.start[last]].reshape(-1, 9)
            flat = r.reshape(-1, shifts)
            for k, (begin, end) in enumerate(self._limits(first, last)):
                np.matmul(flat[begin:end].T, moments[begin:end], out=sums[first + k])
        # The t prior as a normal one whose weight follows the distance, in the coordinate of the shift.
        weight = (TAILS + 1.0) / (TAILS + self._off(d) ** 2) / self.prior_sd[:, None] ** 2
        j = self.theta_by_z
        squares = j[:, :, _ROW] * j[:, :, _COLUMN]
        light = np.matmul(weight, squares)
        pull = np.matmul(weight * self.prior_mean[:, None], j)
        inverse_sum = _inverse(np.moveaxis(sums[..., :6] + light, -1, 0))[0]
        return _times(inverse_sum, sums[..., 6:] + pull)

    def responsibilities(self, d: FloatArray) -> FloatArray:
        """(M', P + 1) at one shift (K, 3) of each item; a frame shows nobody twice."""
        density = self.densities(d[:, None])[..., 0]
        density[:, -1] = np.maximum(density[:, -1], SMALLEST)
        return excluded(density, self.run, self.run_start)

    def _off(self, d: FloatArray) -> FloatArray:
        """Shifts as standard deviations of the light prior in (mired, tint, EV)."""
        return np.asarray(
            (np.matmul(d, np.swapaxes(self.theta_by_z, -1, -2)) - self.prior_mean[:, None]) / self.prior_sd[:, None]
        )


def _features(d: FloatArray) -> FloatArray:
    """(K, 10, C) of shifts (K, C, 3)."""
    out = np.empty((d.shape[0], 10, d.shape[1]))
    x = np.swapaxes(d, 1, 2)
    out[:, :6] = x[:, _ROW] * x[:, _COLUMN]
    out[:, 6:9], out[:, 9] = x, 1.0
    return out


def _form(precision: FloatArray, away: FloatArray) -> FloatArray:
    """(M', P, 10): the squared distance as a linear form of the features; precision (6, M', P), away (M', P, 3)."""
    out = np.empty((*away.shape[:-1], 10))
    out[..., :6] = np.moveaxis(precision, 0, -1) * _TWICE
    pull = _times(precision, away)
    out[..., 6:9] = -2.0 * pull
    out[..., 9] = (pull * away).sum(axis=-1)
    return out


def _inverse(m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Inverse (6, ...) and determinant (...) of symmetric matrices given by their six numbers (6, ...)."""
    a, b, c, d, e, f = m
    out = np.stack([b * c - f * f, a * c - e * e, a * b - d * d, e * f - d * c, d * f - e * b, d * e - a * f])
    determinant = a * out[0] + d * out[3] + e * out[4]
    return out / determinant, determinant


def _times(m: FloatArray, v: FloatArray) -> FloatArray:
    """Symmetric matrices (6, ...) times vectors (..., 3)."""
    a, b, c, d, e, f = m
    x, y, z = v[..., 0], v[..., 1], v[..., 2]
    return np.stack([a * x + d * y + e * z, d * x + b * y + f * z, e * x + f * y + c * z], axis=-1)
