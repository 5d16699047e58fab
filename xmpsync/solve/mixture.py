"""Responsibilities: how probable each person is for each face, by prior, colour and the other faces of the frame."""

from __future__ import annotations

from math import lgamma, log

import numpy as np

from xmpsync.colour.arrays import FloatArray, inverse
from xmpsync.solve.persons import Population
from xmpsync.solve.tables import IntArray

DEGREES_OF_FREEDOM = 6.0
"""Tails of a face's colour around its person (Student's t): a blushing face is not yet somebody else."""
EXCLUSION_PASSES = 4
T_CONSTANT = (
    lgamma(0.5 * (DEGREES_OF_FREEDOM + 3.0)) - lgamma(0.5 * DEGREES_OF_FREEDOM) - 1.5 * log(0.5 * DEGREES_OF_FREEDOM)
)  # against the normal density's own constant


def log_colour(
    z: FloatArray, covariance: FloatArray, persons_z: FloatArray, persons_covariance: FloatArray, people: Population
) -> FloatArray:
    """ln density (..., N, P + 1) of colours z (..., N, 3) with covariances (N, 3, 3) per person and `someone else`.

    `persons_z` (P, 3) with `persons_covariance` (P, 3, 3): how well each person's colour is known so far.
    """
    total = covariance[:, None] + persons_covariance
    d = z[..., None, :] - persons_z
    q = _quadratic(d, inverse(total))
    nu = DEGREES_OF_FREEDOM
    known = T_CONSTANT - 0.5 * _log_det(total) - 0.5 * (nu + 3.0) * np.log1p(q / nu)
    wide = covariance + people.covariance
    stranger = -0.5 * (_quadratic(z - people.mean, inverse(wide)) + _log_det(wide))
    return np.concatenate([known, stranger[..., None]], axis=-1)


def unknown_colour(covariance: FloatArray, person_covariance: FloatArray) -> FloatArray:
    """What a density loses (n,) by not knowing the person's colour well: half the ln ratio of the determinants."""
    return np.asarray(0.5 * (_log_det(covariance + person_covariance) - _log_det(covariance)))


def responsibilities(log_joint: FloatArray, frame: IntArray) -> FloatArray:
    """Probabilities (N, P + 1) whose rows sum to 1; one frame does not show the same person twice.

    `log_joint` = ln prior + ln density. Rows of one frame need not be neighbours.
    """
    order = np.argsort(frame, kind="stable")
    new = np.diff(frame[order], prepend=-1) != 0
    joint = log_joint[order]
    density = np.exp(joint - joint.max(axis=-1, keepdims=True))
    out = np.empty_like(log_joint)
    out[order] = excluded(density, np.cumsum(new) - 1, np.flatnonzero(new))
    return out


def excluded(joint: FloatArray, run: IntArray, start: IntArray) -> FloatArray:
    """Probabilities (N, P + 1) from prior times density; rows of one frame are neighbours.

    `run` (N,) numbers the frames, `start` is the first row of each. Exclusion: each face's odds of a person are
    multiplied by the probability that no other face of the frame is that person; a few damped passes of mean field.
    """
    r = np.asarray(joint / joint.sum(axis=-1, keepdims=True))
    size = np.diff(np.append(start, len(r)))
    several = np.flatnonzero((size > 1)[run]) if len(r) else np.zeros(0, dtype=np.intp)
    if not len(several):
        return r
    first = np.cumsum(size[size > 1]) - size[size > 1]
    of = np.repeat(np.arange(len(first)), size[size > 1])
    base, part = r[several], r[several]
    for _ in range(EXCLUSION_PASSES):
        nobody = 1.0 - np.minimum(part[:, :-1], 1.0 - 1e-6)
        together = np.multiply.reduceat(nobody, first, axis=0)
        adjusted = base.copy()
        adjusted[:, :-1] *= together[of] / nobody
        part = 0.5 * (part + adjusted / adjusted.sum(axis=-1, keepdims=True))
    r[several] = part
    return r


def _quadratic(d: FloatArray, precision: FloatArray) -> FloatArray:
    return np.asarray((np.matmul(precision, d[..., None])[..., 0] * d).sum(axis=-1))


def _log_det(m: FloatArray) -> FloatArray:
    """ln det of (..., 3, 3), written out: many small matrices."""
    return np.asarray(np.log(
        m[..., 0, 0] * (m[..., 1, 1] * m[..., 2, 2] - m[..., 1, 2] * m[..., 2, 1])
        - m[..., 0, 1] * (m[..., 1, 0] * m[..., 2, 2] - m[..., 1, 2] * m[..., 2, 0])
        + m[..., 0, 2] * (m[..., 1, 0] * m[..., 2, 1] - m[..., 1, 1] * m[..., 2, 0])
    ))  # fmt: skip
