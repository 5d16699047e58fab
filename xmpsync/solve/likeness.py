"""How much the distance of identity vectors says for and against one person.

Each person has an own vector; a good face lies `good` away from it, a small, blurred or dark one `sd`. Own vectors of
different people lie apart by D, which is a mixture: strangers, people who look alike (one family, children; women of
one set are at 0.51-0.60), and twins. A face at distance d from the mean of n faces then has the typical distance

    same person:       w^2 = sd^2 + good^2 / n
    different person:  b^2 = w^2 + D^2 k,    k = 1 - (sd^2 - good^2) / reach^2

k: a bad face's vector keeps less of the person (all small blurred faces look alike): on relit portraits the distance
to the other person stays the same (0.64-0.66) while that to the own grows from 0.2 to 0.6. ln d is a Student t about
ln w or ln b: heavy tails, since a pose or a hand before the face makes outliers. Distances have no unit.

When it fails: groups whose people look alike more often than in general (a family; rendered heads). Two faces of one
frame are two people, so the shoot itself shows it: `from_frames` takes the shares of the mixture from such pairs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.tables import BoolArray


@dataclass(frozen=True, slots=True)
class LikenessSettings:
    """Constants of the densities; published figures are of the network that is shipped."""

    good: float = 0.29
    """Distance of a good face from its person's own vector. Pairs of one person: medians 0.33-0.50; over sqrt(2)."""
    apart: tuple[float, ...] = (0.70, 0.375, 0.12)
    """D of strangers, look-alikes, twins. Pairs: strangers' median 0.81, women of one set 0.51-0.60 (less 2 good^2);
    identical twins: assumed, no figures; below half a face's own spread."""
    shares: tuple[float, ...] = (0.85, 0.14, 0.01)
    """Prior shares of pairs. One in a hundred pairs of a mixed set lies below 0.55; a wedding has families, so more."""
    scale: float = 0.18
    """Scale of ln d. One man's pairs have p95 / p50 = 1.28: 0.12 at this nu; with the error of a predicted sd (0.28 of
    ln for the part that it adds) 0.18. Strangers: p1 / p50 = 0.55 / 0.81 is 0.12 at this nu."""
    nu: float = 5.0
    """Degrees of freedom of the t: outliers beyond three scales in 1 of 30."""
    reach: float = 0.665
    """Distance of the two relit portraits: a vector that lies this far from its own says nothing of the person."""
    least_kept: float = 0.02
    alike: float = 0.42
    """Persons whose own vectors are nearer are not surely told apart: pairs of strangers are at 0.59 at least."""
    prior_pairs: float = 20.0
    """Pairs' worth of belief in the prior shares."""


DEFAULT = LikenessSettings()


def usual_sd(settings: LikenessSettings = DEFAULT) -> float:
    """Distance of a good face's vector from its person's own."""
    return settings.good


def log_likelihood_ratio(
    distance: FloatArray | float,
    sd: FloatArray | float,
    n_seen: FloatArray | float,
    settings: LikenessSettings = DEFAULT,
) -> FloatArray:
    """ln p(distance | same person) - ln p(distance | different people); arguments broadcast.

    `distance` of one face's vector to the mean vector of a person's `n_seen` faces (may be fractional: good faces'
    worth); `sd`: the face's own `identity_sd`.
    """
    s = settings
    d, within, kept = _parts(distance, sd, n_seen, s)
    # Nearer than usual says no more than near: the mean of a burst, or a vector that several frames share.
    d = np.maximum(d, np.sqrt(within))
    parts = _different(d, within, kept, s)
    same = _log_density(d, np.sqrt(within), s)
    return np.asarray(same - np.logaddexp.reduce(parts + np.log(s.shares), axis=-1))


def alike(
    mean_a: FloatArray,
    mean_b: FloatArray,
    n_a: FloatArray | float,
    n_b: FloatArray | float,
    settings: LikenessSettings = DEFAULT,
) -> BoolArray:
    """Whether two persons (mean vectors (..., 128) of n good faces' worth) lie so close that names are needed."""
    s = settings
    between = ((np.asarray(mean_a) - np.asarray(mean_b)) ** 2).sum(axis=-1)
    noise = s.good**2 * (1.0 / np.maximum(n_a, 0.05) + 1.0 / np.maximum(n_b, 0.05))
    return np.asarray(between - noise < s.alike**2)


def from_frames(
    distance: FloatArray, sd_a: FloatArray, sd_b: FloatArray, settings: LikenessSettings = DEFAULT
) -> LikenessSettings:
    """The settings with the shares of this shoot, from pairs (n,) of faces that share a frame: different people.

    Expectation maximisation over the shares, with `prior_pairs` of belief in the given ones. Pairs of one frame repeat
    from frame to frame: give each pair of persons once where they are known.
    """
    s = settings
    if not np.size(distance):
        return s
    worse, better = np.maximum(sd_a, sd_b), np.minimum(sd_a, sd_b)
    d, within, kept = _parts(distance, worse, (s.good / better) ** 2, s)
    parts = _different(d, within, kept, s)
    prior = np.array(s.shares) * s.prior_pairs
    shares = np.array(s.shares)
    for _ in range(EM_ROUNDS):
        weight = parts + np.log(shares)
        weight = np.exp(weight - np.logaddexp.reduce(weight, axis=-1, keepdims=True))
        shares = (weight.sum(axis=0) + prior) / (len(weight) + s.prior_pairs)
    return replace(s, shares=tuple(float(v) for v in shares))


EM_ROUNDS = 50
"""The shares are settled to 0.001 well before."""


def _parts(
    distance: FloatArray | float, sd: FloatArray | float, n: FloatArray | float, s: LikenessSettings
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Distances, their mean square for one person, and the part of D^2 that such a face keeps; broadcast."""
    d, own, seen = np.broadcast_arrays(
        np.asarray(distance, dtype=np.float64), np.asarray(sd, dtype=np.float64), np.asarray(n, dtype=np.float64)
    )
    within = own**2 + s.good**2 / np.maximum(seen, 0.05)
    kept = np.clip(1.0 - (own**2 - s.good**2) / s.reach**2, s.least_kept, 1.0)
    return np.maximum(d, 1e-3), within, kept


def _different(d: FloatArray, within: FloatArray, kept: FloatArray, s: LikenessSettings) -> FloatArray:
    """ln densities (..., kinds) of d between different people, one for each kind of pair."""
    middle = np.sqrt(within[..., None] + np.array(s.apart) ** 2 * kept[..., None])
    return _log_density(d[..., None], middle, s)


def _log_density(d: FloatArray, middle: FloatArray, s: LikenessSettings) -> FloatArray:
    """ln of the t density of ln d about ln `middle`, up to a constant that every density here shares."""
    z = np.log(d / middle) / s.scale
    return np.asarray(-0.5 * (s.nu + 1.0) * np.log1p(z**2 / s.nu))
