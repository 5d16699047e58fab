"""The table of persons and lights: one white per light, one own colour per person, from what persons look like there.

Problem. T_c of `pooled` is what person p looks like in light g at the white theta_g. Unknown are a change d_g of the
white and the own colours S_p of persons without a reference:

    T_c + J_c d_g = S_p + m_c,      m_c ~ t(0, person_light^2), theta_g ~ N(prior, weak), S_p ~ N(people, weak).

m is the interaction of the table (metamerism, bounce). T is eliminated exactly: with A the equations of a light,
Omega = (A^-1 + diag(m^2))^-1 weighs the residuals. Then the lights (2 x 2 each) are eliminated, and the rest is dense
in the persons. Referenced persons are not unknown: nothing from another light moves them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.pooled import Within
from xmpsync.solve.settings import VarianceSettings
from xmpsync.solve.tables import BoolArray, IntArray, totals

LARGEST_NOISE = 4.0
"""z^2: a cell known no better than this says nothing about the interaction."""
LARGEST_Z, HALVINGS = 20.0, 24
"""No two people differ by more; ln v is then known to 1e-6."""


@dataclass(frozen=True, slots=True, eq=False)
class LightPrior:
    """White (G, 2) in mired and tint with its precision (G, 2)."""

    mean: FloatArray
    precision: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class TwoWay:
    """Changes of the whites (G, 2) and persons (P, 2).

    Errors: `persons_covariance` (P, 2, 2) and, of all persons together, `joint` (P, 2, P, 2), were the references
    right; `by_referenced` (P, 2, P, 2): change of everybody with each referenced person; `by_persons` (G, 2, P, 2)
    that of the lights with everybody; `light_alone` (G, 2, 2): covariance of the lights, were everybody known.
    `information` (G, K): what each cell says of its light, 1 / z^2; `prior_information` (G,): what is known without
    skin.
    """

    d_theta: FloatArray
    d_persons: FloatArray
    persons_covariance: FloatArray
    joint: FloatArray
    by_referenced: FloatArray
    by_persons: FloatArray
    light_alone: FloatArray
    information: FloatArray
    prior_information: FloatArray

    def persons(self, referenced: FloatArray) -> FloatArray:
        """Covariance (P, 2, P, 2) of own colours with the variances (P, 2) of the references in it."""
        size = referenced.size
        by = self.by_referenced.reshape(size, size)
        return np.asarray(self.joint + ((by * referenced.ravel()) @ by.T).reshape(self.joint.shape))

    def lights(self, persons: FloatArray) -> FloatArray:
        """Covariance (G, 2, 2) of the whites, with that of own colours (P, 2, P, 2) in it."""
        by = self.by_persons.reshape(len(self.d_theta), 2, -1)
        size = by.shape[-1]
        return np.asarray(self.light_alone + by @ persons.reshape(size, size) @ np.swapaxes(by, 1, 2))


def two_way(
    x: Within,
    person: IntArray,
    jacobian: FloatArray,
    theta: FloatArray,
    persons_z: FloatArray,
    free: BoolArray,
    prior: LightPrior,
    people: tuple[FloatArray, float],
    m_variance: FloatArray,
) -> TwoWay:
    """One Gauss-Newton step of the table.

    Parameters
    ----------
    person, jacobian
        Person of each cell (G, K) or -1; dz / d(mired, tint) of the cells (G, K, 2, 2).
    theta, persons_z
        Whites (G, 2) and own colours (P, 2) now. `free` (P,): persons without a reference.
    people
        Mean (2,) and sd of people's own colours.
    m_variance
        Variance (G, K, 2) of each cell's interaction, tails included.
    """
    n_lights, width = person.shape
    n_persons = len(persons_z)
    eye = np.eye(width)
    used = np.maximum(person, 0)
    j = np.moveaxis(jacobian, 2, 1).reshape(n_lights, 2 * width, 2)  # axis-major rows
    omega = np.zeros((n_lights, 2 * width, 2 * width))
    rhs = np.zeros((n_lights, 2 * width))
    for k in (0, 1):
        a = x.a[k]
        spread = np.linalg.inv(eye + a * m_variance[:, None, :, k])
        rows = slice(k * width, (k + 1) * width)
        omega[:, rows, rows] = spread @ a
        s = np.where(person >= 0, persons_z[used, k], 0.0)
        rhs[:, rows] = (spread @ (x.b[k] - np.einsum("gij,gj->gi", a, s))[..., None])[..., 0]
    omega = 0.5 * (omega + np.swapaxes(omega, 1, 2))
    weighted = omega @ j
    lam = prior.precision[:, :, None] * np.eye(2)
    inverse: FloatArray = np.asarray(np.linalg.inv(np.swapaxes(j, 1, 2) @ weighted + lam), np.float64)
    pull = prior.precision * (prior.mean - theta) - np.einsum("gri,gr->gi", j, rhs)
    lean = weighted @ inverse
    schur = omega - lean @ np.swapaxes(weighted, 1, 2)
    reduced = rhs + np.einsum("gri,gi->gr", lean, pull)

    index = np.concatenate([used * 2, used * 2 + 1], axis=1)
    real = np.concatenate([person >= 0] * 2, axis=1)
    size = 2 * n_persons
    right = totals(index[real], reduced[real], size)
    both = real[:, :, None] & real[:, None, :]
    pair = (index[:, :, None] * size + index[:, None, :])[both]
    left = totals(pair, schur[both], size**2).reshape(size, size)
    mean, sd = people
    left[np.arange(2 * n_persons), np.arange(2 * n_persons)] += 1.0 / sd**2
    right += ((mean - persons_z) / sd**2).ravel()
    unknown = np.repeat(free, 2)
    d_s = np.zeros(2 * n_persons)
    covariance = np.zeros((2 * n_persons, 2 * n_persons))
    by_referenced = np.diag(np.where(unknown, 0.0, 1.0))
    if unknown.any():
        own = np.ix_(unknown, unknown)
        covariance[own] = np.linalg.inv(left[own])
        d_s[unknown] = covariance[own] @ right[unknown]
        by_referenced[np.ix_(unknown, ~unknown)] = -covariance[own] @ left[np.ix_(unknown, ~unknown)]
    moved = d_s[index] * real
    d_theta = np.einsum("gij,gj->gi", inverse, pull + np.einsum("gri,gr->gi", weighted, moved))
    chain = np.einsum("gij,grj->gir", inverse, weighted)
    by_persons = np.zeros((n_lights, 2, 2 * n_persons))
    light, row = np.nonzero(real)
    by_persons[light, :, index[light, row]] = chain[light, :, row]
    diagonal = np.einsum("grr->gr", omega)
    information = 0.5 * (diagonal[:, :width] + diagonal[:, width:])
    mired_z = np.maximum((jacobian**2).sum(axis=(1, 2)), 1e-12) / np.maximum((person >= 0).sum(axis=1), 1)[:, None]
    known = 1.0 / (mired_z / prior.precision).sum(axis=1)
    blocks = covariance.reshape(n_persons, 2, n_persons, 2)
    diagonal_blocks = blocks[np.arange(n_persons), :, np.arange(n_persons), :]
    by_two = (n_persons, 2, n_persons, 2)
    return TwoWay(
        d_theta, d_s.reshape(-1, 2), diagonal_blocks, covariance.reshape(by_two), by_referenced.reshape(by_two),
        by_persons.reshape(n_lights, 2, n_persons, 2), inverse, information, known,
    )  # fmt: skip


def interaction(
    residual: FloatArray, noise: FloatArray, person: IntArray, free: BoolArray, weight: FloatArray, s: VarianceSettings
) -> FloatArray:
    """Person x light sd (2,) in z from the residuals (G, K, 2) of the table, their noise variances and tails' weights.

    Cells that are the only one of their light, and persons seen in one light only, fit by themselves: each light and
    each free person costs one residual per axis. What one axis shows counts for the other as well.
    """
    real = (person >= 0) & (noise < LARGEST_NOISE).all(axis=-1)
    several = real & (real.sum(axis=1) > 1)[:, None]
    if not several.any():
        return np.full(2, s.person_light_z)
    lost = several.any(axis=1).sum() + len(np.unique(person[several][free[person[several]]]))
    degrees = max(int(several.sum()) - int(lost), 0)
    squared, known = (weight[..., None] * residual**2)[several], noise[several]
    share = np.full(len(squared), degrees / max(int(several.sum()), 1))
    both = _between(squared.mean(axis=1), known.mean(axis=1), share, s.person_light_z**2, s)
    each = [_between(squared[:, k], known[:, k], share, both, s) for k in (0, 1)]
    return np.asarray(np.sqrt(each))


def _between(squared: FloatArray, noise: FloatArray, share: FloatArray, prior: float, s: VarianceSettings) -> float:
    """The variance v with sum of squared / (v + noise) = degrees of freedom (Paule & Mandel 1982, J. Res. Natl. Bur.
    Stand. 87, 377), the prior in ln v with the weight of `weight` observations; found by halving."""
    low, high = 2.0 * np.log(s.smallest_z), 2.0 * np.log(LARGEST_Z)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        v = np.exp(middle)
        excess = (squared / (v + noise) - share).sum() + s.weight * np.log(prior / v)
        low, high = (middle, high) if excess > 0 else (low, middle)
    return float(np.exp(0.5 * (low + high)))
