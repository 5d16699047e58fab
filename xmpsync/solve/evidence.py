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
from xmpsync.solve.tables import IntArray, summed
from xmpsync.solve.two_way import TwoWay

EXCLUSION_PASSES = 8
OWN_LAMP, OWN_LAMP_Z = 0.03, 10.0
"""Part of the faces that stand in a light of their own, and how far (z) it takes their colour: a lamp beside a window
differs by some 100 mired. Such a face is still who its name and its features say."""
DARKER, OWN_LAMP_EV = 0.1, 1.0
"""Part of the faces that stand darker or brighter than the others of their frame (shade, a lamp), and by how much."""
CERTAIN = -30.0
"""ln probability of what is ruled out."""


def names(roster: Roster, s: PriorSettings) -> FloatArray:
    """ln prior (N, P + 1) from names: given by hand, in regions, none."""
    n, p = len(roster.by_hand), roster.n
    out = np.tile(np.log(np.append((1.0 - s.stranger) * roster.share, s.stranger)), (n, 1))
    silent = (roster.by_name < 0) & ~np.isfinite(roster.seen.sd)[roster.seen.of_face]
    strangers = max(s.stranger, 1.0 - p / roster.most_together)
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
    """ln density (N, P + 1) of the faces' chroma z (N, 2), measurement variance (N,), at their lights' whites.

    `pinned` (G,): lights whose white is given (references, held frames).
    """
    n_lights, n_persons = len(pinned), len(persons_z)
    # What is known of a light without the person in question.
    info = np.zeros((n_lights, n_persons))
    g, k = np.nonzero(cell.person >= 0)
    info[g, cell.person[g, k]] = table.information[g, k]
    light = info.sum(axis=1)[:, None] - info + table.prior_information[:, None] + np.where(pinned, 1e4, 0.0)[:, None]
    person = 0.5 * np.einsum("pii->p", table.persons_covariance)
    expected = 1.0 / (components.person_light**2 + person + 1.0 / np.maximum(light, 1e-6))

    # The other faces of the cell, the burst left out.
    w, y = x.w.mean(axis=-1), x.y + x.drift()[:, None, :]
    total = summed(x.light, w, n_lights)
    mean = summed(x.light, w[..., None] * y, n_lights)
    weight, sums = np.zeros((len(z), n_persons)), np.zeros((len(z), n_persons, 2))
    slot = cell.slot[face_light]
    for p in range(n_persons):
        at = np.flatnonzero(slot[:, p] >= 0)
        if len(at):
            q, m = slot[at, p], face_moment[at]
            rest = np.maximum(total[face_light[at], q] - w[m, q], 0.0)
            weight[at, p] = rest
            sums[at, p] = mean[face_light[at], q] - w[m, q][:, None] * y[m, q]
    prior = expected[face_light]
    place = (prior[..., None] * persons_z + sums) / (prior + weight)[..., None]
    frame = components.frame[face_light]
    own = variance + components.state**2 + frame**2
    total_variance = own[:, None] + 1.0 / (prior + weight)
    d = ((z[:, None, :] - place) ** 2).sum(axis=-1)
    nu = s.tail
    known = -np.log(total_variance) - 0.5 * (nu + 2.0) * np.log1p(d / (nu * total_variance))
    lamp = total_variance + OWN_LAMP_Z**2
    own_lamp = -np.log(lamp) - 0.5 * d / lamp
    known = np.logaddexp(np.log1p(-OWN_LAMP) + known, np.log(OWN_LAMP) + own_lamp)
    mean_people, sd = people
    wide = own + sd**2 + 1.0 / np.maximum(light.max(axis=1, initial=0.0), 1e-6)[face_light]
    stranger = -np.log(wide) - 0.5 * ((z - mean_people) ** 2).sum(axis=-1) / wide
    return np.concatenate([known, stranger[:, None]], axis=1)


def level(q: Question, x: LightLevels, n_faces: int, people: tuple[float, float]) -> FloatArray:
    """ln density (N, P + 1) of the faces' levels, the face itself left out of what its frame should be."""
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
    variance = own[:, None] + x.person_variance
    d = (x.person - q.y[:, None] - ev[:, None]) ** 2
    nu = 4.0
    known = -0.5 * np.log(variance) - 0.5 * (nu + 1.0) * np.log1p(d / (nu * variance))
    lamp = variance + OWN_LAMP_EV**2
    known = np.logaddexp(np.log1p(-DARKER) + known, np.log(DARKER) - 0.5 * np.log(lamp) - 0.5 * d / lamp)
    mean, sd = people
    wide = own + sd**2
    stranger = -0.5 * np.log(wide) - 0.5 * (mean - q.y - ev) ** 2 / wide
    out = np.concatenate([known, stranger[:, None]], axis=1)
    return np.where(told[:, None], out, 0.0)


def softmax(log_joint: FloatArray) -> FloatArray:
    """Probabilities whose rows sum to 1."""
    r = np.exp(log_joint - log_joint.max(axis=-1, keepdims=True))
    return np.asarray(r / r.sum(axis=-1, keepdims=True))


def responsibilities(log_joint: FloatArray, frame: IntArray) -> FloatArray:
    """Probabilities (N, P + 1) whose rows sum to 1; one frame does not show the same person twice.

    Each face's odds of a person are multiplied by the probability that no other face of the frame is that person: a
    few damped passes of mean field.
    """
    order = np.argsort(frame, kind="stable")
    out = np.empty_like(log_joint)
    out[order] = _excluded(log_joint[order], frame[order])
    return out


def _excluded(log_joint: FloatArray, frame: IntArray) -> FloatArray:
    """`responsibilities` of rows of which those of one frame are neighbours."""
    r = softmax(log_joint)
    if not len(r):
        return r
    start = np.flatnonzero(np.diff(frame, prepend=frame[0] - 1) != 0)
    size = np.diff(np.append(start, len(r)))
    run = np.repeat(np.arange(len(start)), size)
    several = np.flatnonzero((size > 1)[run])
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
