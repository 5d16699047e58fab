"""Mixed light that shows: two faces of a frame, or two sides of a face, that no single correction brings within
tolerance.

The best single correction of two colours lies half way, so they must be more than twice the tolerance apart: in colour,
or two faces in level (two halves differ in level by shading). The difference counts after its own variance is taken
off, and it must be more than chance: with d the difference and V its covariance,

    d' V^-1 d > chance    and    |d|^2 - tr V > (2 tolerance)^2.

Faces are compared with what their persons look like; their V is skin state and measurement. Sides are compared with the
person's own sides in other frames, since portraits are uneven by themselves: d is taken from the person's middle, and V
holds, beside measurement, how far this person's sides scatter around it (medians; few faces lean on the whole shoot).
When it fails: somebody lit from two lamps in most frames: that is then what this person looks like.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.coordinate import Coordinates, xyz_from_z
from xmpsync.solve.figures import skin_de00
from xmpsync.solve.fit import Fit
from xmpsync.solve.levels import measured_variance
from xmpsync.solve.tables import BoolArray, IntArray, Table

CHANCE = 13.8
"""Quantile 0.999 of chi-square with two degrees of freedom (tables; 13.816)."""
CHANCE_LEVEL = 10.8
"""The same with one degree (10.828)."""
MOST_FACES_APART = 12
"""Faces of a frame, next to one another in the table, that are compared with one another."""
OWN_FACES = 4.0
"""Faces' worth of belief that a person's sides are alike, and scatter as those of everybody."""
NORMAL_MAD2 = 2.198
"""Variance of a normal over its squared median absolute deviation (1.4826^2)."""


@dataclass(frozen=True, slots=True)
class Tolerance:
    """What a face may be off by."""

    de00: float
    ev: float


def faces_apart(table: Table, z: FloatArray, x: Fit, perhaps: BoolArray, tolerance: Tolerance) -> BoolArray:
    """Frames (F,) of which two faces want corrections too far apart; z (N, 3) of the faces.

    `perhaps` (N, P): whose face it may be. Only what is too far apart whoever of these they are counts: a doubtful name
    is no second lamp.
    """
    out = np.zeros(table.n_frames, dtype=bool)
    seen = np.flatnonzero(perhaps.any(axis=1))
    frame = table.face_frame[seen]
    state = x.components.state
    own = 0.5 * np.einsum("pii->p", x.table.persons_covariance)
    noise = x.variance[:, :2].mean(axis=1) + state**2
    level_noise = x.variance[:, 2] + 2.0 * measured_variance(state)
    for step in range(1, MOST_FACES_APART):
        a, b = seen[:-step], seen[step:]
        same = frame[:-step] == frame[step:]
        a, b = a[same], b[same]
        if not len(a):
            break
        pair, p, q = _each_two(perhaps, a, b)
        shift = (z[a[pair]] - x.persons_z[p]) - (z[b[pair]] - x.persons_z[q])
        level, shift[:, 2] = shift[:, 2].copy(), 0.0
        variance = noise[a[pair]] + noise[b[pair]] + own[p] + own[q]
        level_variance = level_noise[a[pair]] + level_noise[b[pair]]
        level_variance = level_variance + x.levels.person_variance[p] + x.levels.person_variance[q]
        sure = (shift**2).sum(axis=1) > CHANCE * variance
        size = np.minimum(_de00(x.persons_z[p], shift), _de00(x.persons_z[q], shift))
        far = size**2 - 2.0 * variance > (2.0 * tolerance.de00) ** 2
        far_level = level**2 - level_variance > (2.0 * tolerance.ev) ** 2
        apart = (sure & far) | (far_level & (level**2 > CHANCE_LEVEL * level_variance))
        fits = np.bincount(pair, ~apart, minlength=len(a)) > 0
        asked = np.bincount(pair, minlength=len(a)) > 0
        out[table.face_frame[a[asked & ~fits]]] = True
    return out


def _each_two(perhaps: BoolArray, a: IntArray, b: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """One row for each pair (index into `a`, `b`) and each two persons its faces may be; nobody is twice in a frame.

    By lists of candidates: most faces have one, and a wedding has a hundred persons.
    """
    person = np.nonzero(perhaps)[1]
    count = perhaps.sum(axis=1)
    start = np.cumsum(count) - count
    n = count[a] * count[b]
    pair = np.repeat(np.arange(len(a)), n)
    within = np.arange(int(n.sum())) - np.repeat(np.cumsum(n) - n, n)
    p = person[start[a[pair]] + within // count[b[pair]]]
    q = person[start[b[pair]] + within % count[b[pair]]]
    two = p != q
    return pair[two], p[two], q[two]


def sides_apart(table: Table, at: Coordinates, person: IntArray, tolerance: Tolerance) -> BoolArray:
    """Faces (N,) whose two sides differ too much in colour, as they would be rendered at the frame's correction.

    `person` (N,): whose sides they are compared with, -1 where nobody knows.
    """
    out = np.zeros(table.n_faces, dtype=bool)
    sides = [face.skin.sides if face.skin else None for face in table.faces]
    rows = np.array([i for i, side in enumerate(sides) if side is not None], dtype=np.intp)
    if not len(rows):
        return out
    b = at.by_log_camera[rows, :2]
    shift = np.einsum("nij,nj->ni", b, np.array([side.log_ratio for side in sides if side is not None]))
    noise = b @ np.array([side.log_covariance for side in sides if side is not None]) @ np.swapaxes(b, 1, 2)
    centre, spread = _own_sides(shift, noise, person[rows])
    d, v = shift - centre, noise + spread[:, None, None] * np.eye(2)
    sure = np.einsum("ni,ni->n", d, np.linalg.solve(v, d[..., None])[..., 0]) > CHANCE
    size = _de00(at.z[rows], np.column_stack([d, np.zeros(len(d))]))
    out[rows] = sure & (size**2 - np.einsum("nii->n", v) > (2.0 * tolerance.de00) ** 2)
    return out


def _own_sides(shift: FloatArray, noise: FloatArray, person: IntArray) -> tuple[FloatArray, FloatArray]:
    """Each face's person's usual difference between sides (n, 2), and the variance (n,) around it beyond noise."""
    usual = 0.5 * np.einsum("nii->n", noise)
    centre, apart, count = np.zeros(shift.shape), np.zeros(len(shift)), np.zeros(len(shift))
    people = np.unique(person[person >= 0])
    for p in people:
        own = person == p
        count[own] = own.sum()
        centre[own] = np.median(shift[own], axis=0) * own.sum() / (own.sum() + OWN_FACES)
    beyond = shift - centre
    everybody = _excess(beyond, usual)
    for p in people:
        own = person == p
        apart[own] = _excess(beyond[own], usual[own])
    # Whose middle is not known well may be as uneven as people are.
    uneven = max(_excess(shift, usual) - everybody, 0.0)
    return centre, (count * apart + OWN_FACES * (everybody + uneven)) / (count + OWN_FACES)


def _excess(beyond: FloatArray, usual: FloatArray) -> float:
    return max(float(NORMAL_MAD2 * np.median(beyond**2) - np.median(usual)), 0.0)


def _de00(z: FloatArray, shift: FloatArray) -> FloatArray:
    return skin_de00(xyz_from_z(z + shift), xyz_from_z(z))
