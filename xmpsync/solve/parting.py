"""How many persons the skins of a group of look-alikes belong to: hypotheses scored by their evidence.

Problem. Sightings i of a moment m in a light g, each of one of the persons k that names and identity leave possible,
have the chroma and level

    x_i = S_k + m_kg + c_g + t_m d_g + u_m + e_i,

c_g what the light adds and d_g its drift, m_kg how the person looks in it beyond S_k, u_m what the faces of the moment
share, e_i state and measurement. The evidence of a hypothesis is

    F = sum_i ln sum_k p_k p(x_i | k) + ln prior(S, c, d) - 1/2 ln det curvature,

with u and m of the other faces of the moment and of the cell (each face is left out of what it is compared with), and
S, c and d integrated out (Laplace). Expectation and maximisation settle a hypothesis (`settled`); u is eliminated, then
the lights, 2 x 2 each. Two faces of one moment are never one person. Hypotheses are made by parting a person in two
along the main axis of what is left (`parted`) and by making two one (`joined`); `matching` has one more.
When it fails: two lights taken for one, in which everybody has two colours; a lamp that stands on the same person in
several lights.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.clusters import ONE_FACE
from xmpsync.solve.evidence import OWN_LAMP, OWN_LAMP_EV, OWN_LAMP_Z, responsibilities
from xmpsync.solve.likeness import LikenessSettings, log_likelihood_ratio, usual_sd
from xmpsync.solve.roster import means
from xmpsync.solve.tables import BoolArray, IntArray, summed

PASSES = 6
"""Of expectation and maximisation for one hypothesis; they start near their end."""
ODDS = 6.0
"""ln odds against one more person who looks like another: 1 in 400."""
WORTH_TRYING = 2.0
"""ln evidence within what is left of a person's faces from which that person is tried as two."""
ENOUGH = 40
"""Faces that count for the question whether to try: with more, any misfit of the model is sure, however small."""
SAME_CUT = 0.9
"""Part of a person's faces on which two cuts agree, from which they are one hypothesis."""
HOPELESS = 10.0
"""ln evidence behind, after two passes, from which a hypothesis is given up."""
MOST_TRIALS = 40
"""Persons tried as two: keeps the cost bounded where hundreds look alike."""
FEWEST, FEWEST_LIGHTS = 3, 2
"""Sightings, and lights they stand in, that a new person needs: another lamp on a face or two is no person."""
STRANGER = 1e-3
"""Part of the faces of a group that are nobody of it: keeps two faces of one moment possible."""
RULED_OUT = -30.0
"""ln probability of what identity or a hand rules out."""
FARTHEST2 = 9.0
"""Squared standard deviations that count for the spread, and from which a named face does not fit its person."""
FARTHEST = 5.0
"""Standard deviations beyond which a face says no more of where the others are to be cut."""
NORMAL_CUT = 1.013
"""ln of total over inner variance of a normal cut at its middle, -ln(1 - 2 / pi): no sign of two."""
NEAR2 = 16.0
"""Squared standard deviations between own colours within which two are tried as one."""
LEAST_ALIKE = -3.0
"""ln likelihood ratio of the vectors below which two are not tried as one (1 in 20)."""
CHANCE_SD = 1.0
"""Standard deviations by which the mean vectors of one person may lie further apart than their noise."""
SMALLEST = 1e-9
LEAST_COUNT = 0.05
"""Good faces' worth: floor of a division."""


@dataclass(frozen=True, slots=True, eq=False)
class Skins:
    """U sightings: `x` (U, 3) chroma and level at one white per light, `variance` (U, 3) of measuring; `light`,
    `moment` (U,) numbers from 0 on; `of_moment`, `minutes` (M,): light of each moment, and its time around the light's
    middle; `common` (M, 3) variance of what a moment's faces share, `shift` (G, 3) sd of a light's own part, `drift`
    (3,) of its change in a minute; `people`, `wide` (3,): mean and sd of own colours; `own`, `cell` (3,): variance of a
    face, to start with (worth `weight` faces), and of a person from light to light."""

    x: FloatArray
    variance: FloatArray
    light: IntArray
    moment: IntArray
    of_moment: IntArray
    minutes: FloatArray
    common: FloatArray
    shift: FloatArray
    drift: FloatArray
    people: FloatArray
    wide: FloatArray
    own: FloatArray
    cell: FloatArray
    weight: float


@dataclass(frozen=True, slots=True, eq=False)
class Parted:
    """One hypothesis. `r` (U, K): probability of each person; `told` (U, K): ln of what names and identity leave of it;
    `others` (U,) the same for whoever is new, of those bound by a name to person `bound` (U,), else -1. `family` (K,)
    number of the identity group; `colour` (K, 3), `d` (U, K, 3) what is left of x and its variance
    (U, 3), `own` (3,), the evidence."""

    r: FloatArray
    told: FloatArray
    others: FloatArray
    bound: IntArray
    family: IntArray
    colour: FloatArray
    d: FloatArray
    v: FloatArray
    own: FloatArray
    score: float


def settled(s: Skins, h: Parted, passes: int = PASSES) -> Parted:
    """The hypothesis after some passes of expectation and maximisation."""
    for _ in range(passes):
        h = _pass(s, h)
    return h


def _pass(s: Skins, h: Parted) -> Parted:
    n_m, n_g = len(s.common), len(s.shift)
    noise = h.own + s.variance
    # A person looks a little different in each light: faces of one cell are no independent witnesses.
    each = h.r[:, :, None] / noise[:, None, :]
    of_cell = summed(s.light, each, n_g)
    colour, added, prior_score = _maximised(s, each / (1.0 + s.cell * of_cell)[s.light])
    rest = s.x - added[s.moment]
    # What the moment's other faces say of it.
    w = np.einsum("uk->u", h.r)[:, None] / noise
    off = w * rest - h.r @ colour / noise
    all_w, all_off = summed(s.moment, w, n_m), summed(s.moment, off, n_m)
    left = all_w[s.moment] - w + 1.0 / s.common[s.moment]
    u, u_variance = (all_off[s.moment] - off) / left, 1.0 / left
    d = (rest - u)[:, None, :] - colour
    # What the cell's other faces say.
    of_cell_off = summed(s.light, each * d, n_g)
    left = of_cell[s.light] - each + 1.0 / s.cell
    m, m_variance = (of_cell_off[s.light] - each * d) / left, 1.0 / left
    d = d - m
    v = (noise + u_variance)[:, None, :] + m_variance
    log = _log_normal(d, v)
    lamp = v + np.array([OWN_LAMP_Z, OWN_LAMP_Z, OWN_LAMP_EV]) ** 2
    log = np.logaddexp(np.log1p(-OWN_LAMP) + log, np.log(OWN_LAMP) + _log_normal(d, lamp))
    often = np.log(h.r.sum(axis=0) + 1.0) + h.told
    often -= _log_sum(often)[:, None]
    other = _log_normal(rest - u - s.people, noise + u_variance + s.wide**2) + np.where(h.bound >= 0, h.others, 0.0)
    joint = np.column_stack([often + log + np.log1p(-STRANGER), other + np.log(STRANGER)])
    r = responsibilities(np.exp(joint - joint.max(axis=1, keepdims=True)).T, s.moment)[:, :-1]
    gone = np.log(np.maximum(1.0 - r, STRANGER))
    joint[:, :-1] += summed(s.moment, gone, n_m)[s.moment] - gone
    score = float(_log_sum(joint).sum()) + prior_score
    q = np.einsum("uk,uka->a", r, np.minimum(d**2 / v, FARTHEST2))
    n = s.weight + r.sum()
    chroma = h.own[0] * (s.weight * s.own[0] / h.own[0] + 0.5 * (q[0] + q[1])) / n
    own = np.array([chroma, chroma, h.own[2] * (s.weight * s.own[2] / h.own[2] + q[2]) / n])
    return Parted(r, h.told, h.others, h.bound, h.family, colour, d, v, own, score)


def _log_normal(d: FloatArray, v: FloatArray) -> FloatArray:
    x = d**2 / v + np.log(v)
    return np.asarray(-0.5 * (x[..., 0] + x[..., 1] + x[..., 2]))


def _log_sum(x: FloatArray) -> FloatArray:
    """ln of the sum of exp(x) over the columns of x (n, k)."""
    columns = np.ascontiguousarray(x.T)
    most = columns.max(axis=0)
    return np.asarray(most + np.log(np.exp(columns - most).sum(axis=0)))


def _maximised(s: Skins, weight: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Own colours (K, 3), what the light adds to each moment (M, 3), ln prior with Laplace's term.

    `weight` (U, K, 3). u is eliminated, then each light's own part and drift, 2 x 2; what is left is dense in persons.
    """
    n_k, n_g, n_m = weight.shape[1], len(s.shift), len(s.common)
    basis = np.column_stack([np.ones(n_m), s.minutes])
    seen = weight * s.x[:, None, :]
    of_person, mean = summed(s.moment, weight, n_m), summed(s.moment, np.einsum("uka->ua", seen), n_m)
    total = np.einsum("mka->ma", of_person)
    rest = 1.0 / (1.0 + total * s.common)  # what eliminating u leaves of a moment's weight
    by_axis = np.ascontiguousarray(of_person.transpose(2, 1, 0))
    eliminated = by_axis / (total + 1.0 / s.common).T[:, None]
    prior = np.stack([s.shift, np.broadcast_to(s.drift, s.shift.shape)], axis=-1) ** -2.0
    terms = np.concatenate(
        [
            ((of_person * rest[:, None]).transpose(0, 2, 1)[..., None] * basis[:, None, None]).reshape(n_m, -1),
            ((total * rest)[:, :, None, None] * (basis[:, :, None] * basis[:, None])[:, None]).reshape(n_m, -1),
            ((mean * rest)[:, :, None] * basis[:, None]).reshape(n_m, -1),
        ],
        axis=1,
    )
    both, light, right_light = np.split(summed(s.of_moment, terms, n_g), [6 * n_k, 6 * n_k + 12], axis=1)
    both = both.reshape(n_g, 3, n_k, 2)
    light = light.reshape(n_g, 3, 2, 2) + prior[..., None] * np.eye(2)
    right_light = right_light.reshape(n_g, 3, 2, 1)
    inverse = np.linalg.inv(light)
    pull = both @ inverse
    wide = s.wide[:, None] ** -2.0
    own = (seen.sum(axis=0).T - (eliminated @ mean.T[:, :, None])[..., 0]) + s.people[:, None] * wide
    left = (weight.sum(axis=0).T + wide)[..., None] * np.eye(n_k) - eliminated @ by_axis.transpose(0, 2, 1)
    left -= _over_lights(pull) @ _over_lights(both).transpose(0, 2, 1)
    colour = np.linalg.solve(left, (own - (pull @ right_light)[..., 0].sum(axis=0))[..., None])
    own_light = inverse @ (right_light - np.swapaxes(both, 2, 3) @ colour)
    added = (own_light[s.of_moment, :, :, 0] * basis[:, None]).sum(axis=2)
    colour = colour[..., 0].T
    score = -0.5 * (np.linalg.slogdet(left)[1].sum() + np.linalg.slogdet(light)[1].sum() - np.log(prior).sum())
    score -= n_k * np.log(s.wide).sum() + 0.5 * (((colour - s.people) / s.wide) ** 2).sum()
    score -= 0.5 * (prior * own_light[..., 0] ** 2).sum()
    return colour, added, float(score)


def _over_lights(values: FloatArray) -> FloatArray:
    """Values (G, 3, K, 2) as (3, K, 2 G)."""
    n_g, _, n_k, _ = values.shape
    return values.transpose(1, 2, 0, 3).reshape(3, n_k, 2 * n_g)


def joined(
    s: Skins, h: Parted, first: FloatArray, vector: FloatArray, sd: FloatArray, named: int, likeness: LikenessSettings
) -> Parted:
    """The hypothesis with persons made one where identity allows and skin asks for it; the first `named` stay apart.

    `first` (U, families): the sorting by vectors. People of one skin share faces, and mean vectors grow alike: what
    identity says of two families is asked of the sorting.
    """
    families = _one_face(*means(vector, sd, first), likeness)
    for _ in range(h.r.shape[1]):
        n = h.r.shape[1]
        ratio = _one_face(*means(vector, sd, h.r), likeness)
        ratio = np.where(h.family[:, None] == h.family, ratio, families[h.family[:, None], h.family])
        # Two who share a picture and were sorted apart by their vectors stay two, however alike their skins.
        there = (summed(s.moment, h.r, len(s.common)) > 0.5).astype(float)
        ratio[(there.T @ there > 0.0) & (h.family[:, None] != h.family)] = -np.inf
        apart = (h.colour[:, None] - h.colour) ** 2 / (h.own + s.cell)
        pairs = [
            (float(apart[k, q].sum() - 2.0 * ratio[k, q]), k, q)
            for q in range(named, n)
            for k in range(q)
            if apart[k, q].sum() < NEAR2 and ratio[k, q] > LEAST_ALIKE
        ]
        for _, k, q in sorted(pairs):
            r, told = h.r.copy(), h.told.copy()
            r[:, k] += r[:, q]
            told[:, k] = np.maximum(told[:, k], told[:, q])
            rest = np.arange(n) != q
            one = settled(s, replace(h, r=r[:, rest], told=told[:, rest], family=h.family[rest]))
            if one.score + ratio[k, q] > h.score:
                h = one
                break
        else:
            return h
    return h


def _one_face(mean: FloatArray, count: FloatArray, likeness: LikenessSettings) -> FloatArray:
    """ln likelihood ratio (K, K) that two persons' mean vectors are one person's; 0 where there are no vectors."""
    few, many = np.minimum(count[:, None], count), np.maximum(count[:, None], count)
    distance = np.linalg.norm(mean[:, None] - mean, axis=-1)
    sd = usual_sd() / np.sqrt(np.maximum(few, LEAST_COUNT))
    out = log_likelihood_ratio(distance, sd, np.maximum(many, LEAST_COUNT), likeness)
    # Many faces tell finer than one: there two people lie further apart than chance takes one person's means.
    each = 1.0 / np.maximum(few, LEAST_COUNT) + 1.0 / np.maximum(many, LEAST_COUNT)
    sure = distance**2 - usual_sd() ** 2 * each > CHANCE_SD * ONE_FACE * np.sqrt(each)
    out = np.where(sure, -np.inf, out)
    return np.asarray(np.where(few > 0, out, 0.0))


def sample(s: Skins, h: Parted, rows: IntArray) -> tuple[Skins, Parted]:
    """The same for some sightings only."""
    numbers, moment = np.unique(s.moment[rows], return_inverse=True)
    some = replace(
        s, x=s.x[rows], variance=s.variance[rows], light=s.light[rows], moment=moment.reshape(-1),
        of_moment=s.of_moment[numbers], minutes=s.minutes[numbers], common=s.common[numbers],
    )  # fmt: skip
    return some, replace(h, r=h.r[rows], told=h.told[rows], others=h.others[rows], bound=h.bound[rows])


def parted(s: Skins, h: Parted, smallest: int) -> Parted:
    """The hypothesis with persons parted in two as long as the evidence rises."""
    tried: set[int] = set()
    for _ in range(MOST_TRIALS):
        gains = _gains(h, smallest)
        gains[list(tried)] = 0.0
        k = int(gains.argmax())
        if gains[k] < WORTH_TRYING:
            break
        best = max((_tried(s, t, h.score) for t in _halves(s, h, k)), key=lambda t: t.score)
        if best.score > h.score + ODDS and _stands(s, best, k):
            h, tried = best, tried - {k}
        else:
            tried.add(k)
    return h


def _stands(s: Skins, h: Parted, k: int) -> bool:
    """Whether both halves of person k, the last one new, are seen often enough and in several lights: another lamp on a
    face or two is no person."""
    for q in (k, h.r.shape[1] - 1):
        rows = h.r[:, q] > 0.5
        named = (h.bound[rows] >= 0).any()
        if not named and (rows.sum() < FEWEST or len(np.unique(s.light[rows])) < FEWEST_LIGHTS):
            return False
    return True


def _tried(s: Skins, h: Parted, score: float) -> Parted:
    h = settled(s, h, 2)
    return h if h.score < score - HOPELESS else settled(s, h, PASSES - 2)


def _gains(h: Parted, smallest: int) -> FloatArray:
    """ln evidence (K,) that what is left of a person's faces is wider than it should be, or has two middles: along its
    main axis, the best cut against that of a normal."""
    out = np.zeros(h.r.shape[1])
    for k in range(len(out)):
        rows = np.flatnonzero(h.r[:, k] > 0.5)
        if len(rows) < 2 * smallest:
            continue
        t = _along(h, rows, k)
        n, total = len(t), max(float((t**2).mean()), SMALLEST)
        between = _between(np.sort(t))[smallest - 1 : n - smallest].max() / n
        wide = total - 1.0 - np.log(total) if total > 1.0 else 0.0
        within = max(total - between, 1e-3 * total)
        out[k] = 0.5 * min(n, ENOUGH) * max(wide, np.log(total / within) - NORMAL_CUT)
    return out


def _along(h: Parted, rows: IntArray, k: int) -> FloatArray:
    """What is left of faces `rows` of person k, in standard deviations along its main axis, around its mean."""
    e = _left(h, rows, k)
    return _main_axis(e - e.mean(axis=0))


def _left(h: Parted, rows: IntArray, k: int) -> FloatArray:
    """What is left (n, 3) of faces `rows` of person k, in standard deviations, far ones drawn in."""
    return np.asarray(np.clip(h.d[rows, k] / np.sqrt(h.v[rows, k]), -FARTHEST, FARTHEST))


def _main_axis(e: FloatArray) -> FloatArray:
    """Places (n,) of centred values (n, 3) along their main axis."""
    return np.asarray(e @ np.linalg.svd(e, full_matrices=False)[2][0])


def _between(ordered: FloatArray) -> FloatArray:
    """Sum of squares (n - 1,) between the two parts of rising values cut after each."""
    n, low = len(ordered), np.arange(1, len(ordered))
    mean = np.cumsum(ordered)[:-1] / low
    rest = (ordered.sum() - np.cumsum(ordered)[:-1]) / (n - low)
    return np.asarray(low * (n - low) / n * (mean - rest) ** 2)


def _halves(s: Skins, h: Parted, k: int) -> list[Parted]:
    """Person k as two: cut along the main axis of what is left, as it is and around the middle of each light."""
    rows = np.flatnonzero(h.r[:, k] > 0.5)
    e = _left(h, rows, k)
    light = np.unique(s.light[rows], return_inverse=True)[1]
    count = np.bincount(light)
    inner = e - (summed(light, e, len(count)) / count[:, None])[light]
    out, cuts = [], list[BoolArray]()
    for values in (e - e.mean(axis=0), inner):
        t = _main_axis(values)
        order = np.sort(t)
        cut = _between(order).argmax()
        part = t > 0.5 * (order[cut] + order[cut + 1])
        if cuts and max((part == cuts[0]).mean(), (part != cuts[0]).mean()) > SAME_CUT:
            continue
        cuts.append(part)
        second = np.zeros(len(h.r))
        second[rows[part]] = 1.0
        own = h.bound == k
        if 2.0 * (h.r[own, k] * second[own]).sum() > h.r[own, k].sum():
            second = 1.0 - second
        second[own] = 0.0
        r = np.column_stack([h.r, h.r[:, k] * second])
        r[:, k] *= 1.0 - second
        told = np.column_stack([h.told, np.where(h.bound >= 0, h.others, h.told[:, k])])
        out.append(replace(h, r=r, told=told, family=np.append(h.family, h.family[k])))
    return out
