"""Laying one light group on the persons known: the shift that explains its faces best.

Candidates are all shifts that carry one face to one person, refined by a few steps of expectation and maximisation,
all at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray, inverse
from xmpsync.solve.constellation import TAILS, Constellation, away, log_joint, score
from xmpsync.solve.mixture import softmax
from xmpsync.solve.persons import Population, Roster

MOST_SEEDS = 16
"""Faces of one group that propose a shift."""
KEPT = 12
"""Best proposals that are refined."""
REFINEMENTS = 4


@dataclass(frozen=True, slots=True, eq=False)
class Placement:
    """The best shift d (3,), its log score and the margin over the best quite different one."""

    shift: FloatArray
    score: float
    margin: float


def place(c: Constellation, roster: Roster, people: Population) -> Placement:
    if c.pinned:
        return Placement(np.zeros(3), 0.0, np.inf)
    seeds = np.unique(np.linspace(0, len(c.y) - 1, min(MOST_SEEDS, len(c.y))).round().astype(int))
    d = (roster.z[None, :, :] - c.y[seeds, None, :]).reshape(-1, 3)
    d = np.vstack([d, people.mean - c.y.mean(axis=0), c.by_theta @ c.prior_mean])
    d = d[np.argsort(-score(c, d, roster, people), kind="stable")[:KEPT]]
    for _ in range(REFINEMENTS):
        d = _refined(c, d, roster, people)
    scores = score(c, d, roster, people)
    best = int(np.argmax(scores))
    other = np.linalg.norm((d - d[best])[:, :2], axis=1) > 1.5
    margin = float(scores[best] - scores[other].max()) if other.any() else float("inf")
    return Placement(d[best], float(scores[best]), min(margin, 1e3))


def _refined(c: Constellation, d: FloatArray, roster: Roster, people: Population) -> FloatArray:
    r = softmax(log_joint(c, d, roster, people))
    precision, wide = inverse(c.covariance), inverse(c.covariance + people.covariance)
    known = 1.0 - r[..., -1]
    # The t prior as a normal one whose weight follows the distance, in the coordinate of the shift.
    weight = (TAILS + 1.0) / (TAILS + away(c, d) ** 2) / c.prior_sd**2
    theta_by_z = np.linalg.inv(c.by_theta)
    light = np.einsum("ki,ck,kj->cij", theta_by_z, weight, theta_by_z)
    wanted = np.einsum("cnp,pi->cni", r[..., :-1], roster.z) - known[..., None] * c.y
    a = np.einsum("cn,nij->cij", known, precision) + np.einsum("cn,nij->cij", r[..., -1], wide) + light
    b = (
        np.einsum("nij,cnj->ci", precision, wanted)
        + np.einsum("cn,nij,nj->ci", r[..., -1], wide, people.mean - c.y)
        + light @ (c.by_theta @ c.prior_mean)
    )
    return np.asarray(np.linalg.solve(a, b[..., None])[..., 0])
