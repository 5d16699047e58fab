"""Who is who: the probability of each person for each face.

Evidence, each part leaving the face itself (and its burst) out of what it is compared with, so that no answer confirms
itself:

- a name given by hand is certain; a name in a face region is right with `name_trust`;
- identity: ln p(distance | same) - ln p(distance | different people) (`likeness`);
- colour: where this person is in this light, from the other faces of that cell and from the person's own colour
  carried into the light by everybody else in it;
- level: against what the other faces of the frame, or the light and the camera's settings, predict;
- a frame shows nobody twice.

`someone else` has the colour of people in general. Light and persons that hang on this very face make the expected
place wide, and the evidence nothing: then the face stays unknown.
"""

from __future__ import annotations

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.levels import LightLevels, Question
from xmpsync.solve.pooled import Components, TableCells, Within
from xmpsync.solve.roster import Roster, ratios
from xmpsync.solve.settings import PriorSettings, VarianceSettings
from xmpsync.solve.tables import IntArray, totals
from xmpsync.solve.two_way import TwoWay

EXCLUSION_PASSES = 8
UNCONTENDED = 1e-6
"""Probability of a person in two faces of a frame below which neither yields to the other."""
OWN_LAMP, OWN_LAMP_Z = 0.03, 10.0
"""Part of the faces that stand in a light of their own, and how far (z) it takes their colour: a lamp beside a window
differs by some 100 mired. Such a face is still who its name and its features say."""
DARKER, OWN_LAMP_EV = 0.1, 1.0
"""Part of the faces that stand darker or brighter than the others of their frame (shade, a lamp), and by how much."""
LEVEL_TAIL = 4.0
"""Degrees of freedom of Student's t for a face's level: one in thirty is turned from the light or shaded."""
CERTAIN = -30.0
"""ln probability of what is ruled out."""


def told(roster: Roster, s: PriorSettings) -> FloatArray:
    """ln evidence (N, P + 1) of names and identity together: the same in every pass, whatever the lights."""
    return names(roster, s) + identity(roster)


def names(roster: Roster, s: PriorSettings) -> FloatArray:
    """ln prior (N, P + 1) from names: given by hand, in regions, none."""
    n, p = len(roster.by_hand), roster.n
    without = roster.by_name < 0
    # Where nearly every face bears a name, one without is hardly one of those whose names are known.
    unnamed = (float((without & (roster.by_hand < 0)).sum()) + 1.0) / (float((roster.by_hand < 0).sum()) + 1.0)
    stranger = s.stranger / (s.stranger + (1.0 - s.stranger) * unnamed)
    out = np.tile(np.log(np.append((1.0 - stranger) * roster.share, stranger)), (n, 1))
    silent = without & ~np.isfinite(roster.seen.sd)[roster.seen.of_face]
    strangers = max(stranger, 1.0 - p / roster.most_together)
    out[silent] = np.log(np.append(np.full(p, (1.0 - strangers) / p), strangers))
    named = np.flatnonzero(roster.by_name >= 0)
    out[named] = np.log((1.0 - s.name_trust) / (p + 1.0))
    out[named, -1] = np.log((1.0 - s.name_trust) * s.stranger)
    out[named, roster.by_name[named]] = np.log(s.name_trust)
    sure = np.flatnonzero(roster.by_hand >= 0)
    out[sure] = CERTAIN
    out[sure, roster.by_hand[sure]] = 0.0
    return out


def identity(roster: Roster) -> FloatArray:
    """ln likelihood ratio (N, P + 1) of the identity vectors, the sighting itself left out; 0 for `someone else`.

    Persons' own vectors are those of the first sorting: with shares of faces instead, the vector of somebody seen a few
    times is drawn to that of somebody seen often, until nothing tells the two apart.
    """
    seen, n = roster.seen, roster.n
    out = np.zeros((len(seen.moment), n + 1))
    if n and np.isfinite(seen.sd).any():
        member = np.zeros((len(roster.first), n))
        known = np.flatnonzero(roster.first >= 0)
        member[known, roster.first[known]] = 1.0
        out[:, :-1], _, _ = ratios(seen, seen.mean_of(member), roster.likeness)
    return np.asarray(out[seen.of_face])


def colour(
    z: FloatArray,
    variance: FloatArray,
    face_light: IntArray,
    face_moment: IntArray,
    cell: TableCells,
    x: Within,
    table: TwoWay,
    persons_z: FloatArray,
    components: Components,
    pinned: FloatArray,
    people: tuple[FloatArray, float],
    s: VarianceSettings,
) -> FloatArray:
    """Density (P + 1, N), up to a factor for each face, of the faces' chroma z (N, 2), measurement variance (N,), at
    their lights' whites. `pinned` (G,): lights whose white is given (references, held frames).
    """
    n_lights, n_persons = len(pinned), len(persons_z)
    # What is known of a light without the person in question.
    info = np.zeros((n_lights, n_persons))
    g, k = np.nonzero(cell.person >= 0)
    info[g, cell.person[g, k]] = table.information[g, k]
    light = info.sum(axis=1)[:, None] - info + table.prior_information[:, None] + np.where(pinned, 1e4, 0.0)[:, None]
    person = 0.5 * np.einsum("pii->p", table.persons_covariance)
    expected = 1.0 / (components.person_light**2 + person + 1.0 / np.maximum(light, 1e-6))

    # The other moments of the cell, for every moment; a last place without weight stands for persons without a cell.
    width = cell.person.shape[1]
    of_cell = x.light[x.moment] * (width + 1) + x.place
    own = cell.person[x.light[x.moment], x.place], x.moment
    place = np.where(cell.slot >= 0, cell.slot, width) + np.arange(n_lights)[:, None] * (width + 1)

    def others(values: FloatArray) -> FloatArray:
        out = totals(of_cell, values, n_lights * (width + 1))[place].T[:, x.light]
        out[own] -= values
        return np.asarray(out)

    w = x.w.mean(axis=0)
    prior = expected.T[:, x.light]
    certain = 1.0 / (prior + np.maximum(others(w), 0.0))
    drift = x.drift().T[:, x.moment]
    d = np.zeros((n_persons, len(z)))
    for axis in (0, 1):
        there = (prior * persons_z[:, axis, None] + others(w * (x.y[axis] + drift[axis]))) * certain
        d += (z[:, axis] - there[:, face_moment]) ** 2
    own_variance = variance + components.state**2 + components.frame[face_light] ** 2
    total = own_variance + certain[:, face_moment]
    lamp = total + OWN_LAMP_Z**2
    out = np.empty((n_persons + 1, len(z)))
    out[:-1] = (1.0 - OWN_LAMP) * (1.0 + d / (s.tail * total)) ** (-0.5 * (s.tail + 2.0)) / total
    out[:-1] += OWN_LAMP * np.exp(-0.5 * d / lamp) / lamp
    mean_people, sd = people
    wide = own_variance + sd**2 + 1.0 / np.maximum(light.max(axis=1, initial=0.0), 1e-6)[face_light]
    out[-1] = np.exp(-0.5 * ((z - mean_people) ** 2).sum(axis=-1) / wide) / wide
    return out


def level(q: Question, x: LightLevels, n_faces: int, people: tuple[float, float]) -> FloatArray:
    """Density (P + 1, N), up to a factor for each face, of the faces' levels; what its frame should be is found without
    the face itself."""
    frame_w = np.bincount(q.face, weights=x.w, minlength=n_faces)
    target = x.person[q.person] - q.y[q.face]
    frame_v = np.bincount(q.face, weights=x.w * target, minlength=n_faces)
    f = q.frame
    h = np.maximum(x.h[f] - frame_w, 0.0)
    value = x.h[f] * x.ev[f] - frame_v
    told = h > 1e-3
    ev = np.where(told, value / np.where(told, h, 1.0), 0.0)
    spread = np.where(told, 1.0 / np.where(told, h, 1.0) + x.light_variance[q.light[f]] * (x.c[f] > 0), 1e4)
    own = x.pose**2 + q.variance + spread
    variance = own + x.person_variance[:, None]
    d = (x.person[:, None] - q.y - ev) ** 2
    lamp = variance + OWN_LAMP_EV**2
    out = np.empty((len(x.person) + 1, n_faces))
    out[:-1] = (1.0 - DARKER) * (1.0 + d / (LEVEL_TAIL * variance)) ** (-0.5 * (LEVEL_TAIL + 1.0)) / np.sqrt(variance)
    out[:-1] += DARKER * np.exp(-0.5 * d / lamp) / np.sqrt(lamp)
    mean, sd = people
    wide = own + sd**2
    out[-1] = np.exp(-0.5 * (mean - q.y - ev) ** 2 / wide) / np.sqrt(wide)
    out[:, ~told] = 1.0
    return out


def softmax(log_joint: FloatArray) -> FloatArray:
    """Probabilities whose rows sum to 1."""
    r = np.exp(log_joint - log_joint.max(axis=-1, keepdims=True))
    return np.asarray(r / r.sum(axis=-1, keepdims=True))


def responsibilities(likelihood: FloatArray, frame: IntArray) -> FloatArray:
    """Probabilities (N, P + 1), rows of sum 1, from likelihoods (P + 1, N); one frame shows nobody twice.

    Each face's odds of a person are multiplied by the probability that no other face of the frame is that person: a
    few damped passes of mean field, where a frame's faces contend for a person at all.
    """
    r = likelihood / likelihood.sum(axis=0)
    for rows in _together(frame):
        faces = r[:-1, rows]
        most = faces.max(axis=1)
        contended = (np.minimum(most, faces.sum(axis=1) - most) > UNCONTENDED).any(axis=0)
        rows = rows[:, contended]
        base = part = r[:, rows]
        for _ in range(EXCLUSION_PASSES):
            nobody = 1.0 - np.minimum(part[:-1], 1.0 - 1e-6)
            adjusted = base.copy()
            adjusted[:-1] *= nobody.prod(axis=1, keepdims=True) / nobody
            part = 0.5 * (part + adjusted / adjusted.sum(axis=0))
        r[:, rows] = part
    return np.asarray(r.T)


def _together(frame: IntArray) -> list[IntArray]:
    """Faces (k, frames) of the frames (N,) that show k of them, for each k from two on."""
    order = np.argsort(frame, kind="stable")
    first = np.flatnonzero(np.diff(frame[order], prepend=frame[order[:1]] - 1) != 0)
    size = np.diff(np.append(first, len(frame)))
    return [order[first[size == k] + np.arange(k)[:, None]] for k in np.unique(size[size > 1])]
