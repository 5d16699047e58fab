"""Two bodies under one light: what differs between bodies everywhere, and how far one light ties their groups.

Each body of a shoot has its own light groups, since profiles and meters differ. But bodies that were used side by side
saw the same lights, so for every light (`place`) seen by two bodies

    level of body b = level of body a + (constant of b - constant of a) + N(0, width^2)

in (mired, tint, EV through the camera's settings). Constants and width are estimated from all places together, with
priors that weigh a few places. EV is tied only where exposure settings predict it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.lights import Lights
from xmpsync.solve.settings import LinkSettings
from xmpsync.solve.tables import BoolArray, IntArray, Table, members

SWEEPS = 6


@dataclass(frozen=True, slots=True, eq=False)
class Constants:
    """`body` (B, 3): constant of each body in (mired, tint, EV), the body with most frames at zero; `width` (3,)."""

    body: FloatArray
    width: FloatArray


def constants(table: Table, place: IntArray, theta: FloatArray, s: LinkSettings) -> Constants:
    """Constants of the bodies from what each body's frames (F, 3, NaN where unknown) say of the same places."""
    n_bodies = int(table.body.max(initial=-1)) + 1
    out, width = np.zeros((n_bodies, 3)), np.array([s.width_mired, s.width_tint, s.width_ev])
    if n_bodies < 2:
        return Constants(out, width)
    known, level = _levels(table, theta)
    mean, count = _means(place, table.body, level, known, n_bodies)
    prior = width**2 / np.array([s.body_mired_sd, s.body_tint_sd, s.body_ev_sd]) ** 2
    main = int(np.argmax(np.bincount(table.body, minlength=n_bodies)))
    others = [b for b in range(n_bodies) if b != main]
    for _ in range(SWEEPS):
        for b in others:
            rest = [a for a in range(n_bodies) if a != b]
            # Harmonic weights: a place tells as much as the body that shows less of it.
            weight = 1.0 / (1.0 + 1.0 / np.maximum(count[:, b : b + 1], 1e-9) + 1.0 / np.maximum(count[:, rest], 1e-9))
            difference = mean[:, b : b + 1] - (mean[:, rest] - out[rest])
            weight = np.where(np.isfinite(difference), weight, 0.0)
            out[b] = _shrunk_median(difference.reshape(-1, 3), weight.reshape(-1, 3), prior)
    off = mean - out
    pairs = [(a, b) for a in range(n_bodies) for b in range(a)]
    total, squares = np.full(3, s.width_prior_places), s.width_prior_places * width**2
    for a, b in pairs:
        gap = off[:, a] - off[:, b]
        weight = np.where(
            np.isfinite(gap),
            1.0 / (1.0 + 1.0 / np.maximum(count[:, a], 1e-9) + 1.0 / np.maximum(count[:, b], 1e-9)),
            0.0,
        )
        squares = squares + (weight * np.minimum(np.nan_to_num(gap) ** 2, (4.0 * width) ** 2)).sum(axis=0)
        total = total + weight.sum(axis=0)
    return Constants(out, np.sqrt(squares / total))


def tied(table: Table, place: IntArray, base: Lights, points: FloatArray, c: Constants) -> Lights:
    """The lights with the prior of each group's curve drawn to the curves of other bodies at the same place.

    The other curve is taken as it stands (block by block descent on the joint problem).
    """
    coupled = base.coupled
    curve = base.at_frames(points) - base.offset - c.body[table.body]
    weights = base.interpolation.T
    at_point = np.asarray(weights.sum(axis=1)).ravel()
    time = np.asarray(weights @ table.time_s) / np.maximum(at_point, 1e-9)
    first = base.interpolation.indices[base.interpolation.indptr[:-1]]
    mean, precision = base.prior_mean * base.prior_precision, base.prior_precision.copy()
    for frames in members(place, int(place.max(initial=-1)) + 1):
        bodies = np.unique(table.body[frames])
        if len(bodies) < 2:
            continue
        for own in bodies:
            mine = frames[table.body[frames] == own]
            at = np.arange(int(first[mine].min()), int(base.interpolation[mine].indices.max()) + 1)
            for other in bodies[bodies != own]:
                theirs = frames[table.body[frames] == other]
                theirs = theirs[np.argsort(table.time_s[theirs], kind="stable")]
                target = np.stack(
                    [np.interp(time[at], table.time_s[theirs], curve[theirs, k]) for k in range(3)], axis=1
                )
                tie = np.tile(1.0 / c.width**2 / len(at), (len(at), 1))
                if not (coupled[mine].all() and coupled[theirs].all()):
                    tie[:, 2] = 0.0
                precision[at] += tie
                mean[at] += tie * (target + c.body[own])
    return replace(base, prior_mean=mean / precision, prior_precision=precision)


def _levels(table: Table, theta: FloatArray) -> tuple[BoolArray, FloatArray]:
    coupled = ~table.flash & np.isfinite(table.settings_ev)
    level = theta.copy()
    level[:, 2] += np.where(coupled, table.settings_ev, np.nan)
    return np.isfinite(level), level


def _means(
    place: IntArray, body: IntArray, level: FloatArray, known: BoolArray, n_bodies: int
) -> tuple[FloatArray, FloatArray]:
    """Mean (places, B, 3) and number of frames behind it."""
    shape = (int(place.max(initial=-1)) + 1, n_bodies, 3)
    sums, count = np.zeros(shape), np.zeros(shape)
    np.add.at(sums, (place, body), np.where(known, level, 0.0))
    np.add.at(count, (place, body), known.astype(float))
    return np.where(count > 0, sums / np.maximum(count, 1.0), np.nan), count


def _shrunk_median(values: FloatArray, weight: FloatArray, prior: FloatArray) -> FloatArray:
    """Weighted medians (3,) of (n, 3), drawn to zero by `prior` places' worth of weight."""
    out = np.zeros(3)
    for k in range(3):
        good = weight[:, k] > 0
        if not good.any():
            continue
        v, w = values[good, k], weight[good, k]
        order = np.argsort(v)
        half = np.cumsum(w[order])
        middle = v[order][int(np.searchsorted(half, 0.5 * half[-1]))]
        out[k] = middle * w.sum() / (w.sum() + prior[k])
    return out
