"""Light groups: stretches of consecutive frames of one body under one light, found as change points.

Problem. Frames of one body, flash frames apart, in time order; each carries some cues x_k with a standard deviation
(`cues`). Find the cut points that minimise

    sum over segments [ sum_k min_slope cost_k(segment) ] + penalty per cut,

cost_k = squared standardised residuals around a line in time whose slope has a narrow prior (a drifting light is one
light), each residual limited beforehand (one wild frame is no new light). `change_points` finds it. When it fails: two
lights that differ in none of the cues stay one group, then each frame's own faces must do.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.change_points import limited, partition
from xmpsync.solve.coordinate import LN2
from xmpsync.solve.settings import GroupSettings
from xmpsync.solve.tables import BoolArray, IntArray, Table


@dataclass(frozen=True, slots=True, eq=False)
class LightGroups:
    """`group` (F,): one light of one body, 0.. in order of first appearance. `place` (F,): one light of all bodies."""

    group: IntArray
    place: IntArray


def find(table: Table, skin_theta: FloatArray, moment: IntArray, s: GroupSettings, known: bool) -> LightGroups:
    """Light groups of every frame. A moment (F,) is one observation: its cues are averaged, it is never cut.

    `skin_theta` (F, 3): correction (mired, tint, EV) that a frame's faces ask for by themselves, NaN without faces;
    `known`: for their own persons' colours. Where that is not known yet, cuts are cheaper: a light cut in two is joined
    the next time, of two taken for one nothing shows any more. The bodies are cut at common change points where their
    clocks agree: where cutting each for itself explains more, they are cut each for itself.
    """
    skin_sd = s.known_skin if known else s.first_skin
    if not known:
        s = replace(
            s,
            change_penalty=s.first_part * s.change_penalty,
            gap_discount=s.first_part * s.gap_discount,
            longest_discount=s.first_part * s.longest_discount,
        )
    place = np.full(table.n_frames, -1, dtype=np.intp)
    following = 0
    for flash in (False, True):
        rows = np.flatnonzero(table.flash == flash)
        if not len(rows):
            continue
        _, first, of = np.unique(moment[rows], return_index=True, return_inverse=True)
        body, time = table.body[rows[first]], table.time_s[rows[first]]
        cues = _cues(table, skin_theta, rows, of, body, time, s, skin_sd)
        alone = np.zeros(len(first), dtype=bool)
        if flash:
            for b in np.unique(body):
                own = body == b
                alone[own] = _lone(cues[own], time[own], s)
        number = np.empty(len(first), dtype=np.intp)
        if not alone.all():
            number[~alone] = _cut(body[~alone], time[~alone], cues[~alone], s)
        number[alone] = int(number[~alone].max(initial=-1)) + 1 + np.arange(int(alone.sum()))
        place[rows] = following + number[of]
        following += int(number.max()) + 1
    place = _in_order_of_appearance(place)
    return LightGroups(_in_order_of_appearance(place * (int(table.body.max(initial=0)) + 1) + table.body), place)


def _cut(body: IntArray, time: FloatArray, cues: FloatArray, s: GroupSettings) -> IntArray:
    """Place numbers (n,) of moments sorted by body and time."""
    separate = np.empty(len(body), dtype=np.intp)
    cost, following = 0.0, 0
    for b in np.unique(body):
        own = body == b
        found = partition(cues[own], time[own], s)
        separate[own] = following + found.number
        cost += found.cost + s.change_penalty * (following > 0)
        following += int(found.number.max()) + 1
    if len(np.unique(body)) < 2:
        return separate
    order = np.argsort(time, kind="stable")
    together = partition(_on_one_scale(cues, body, time, s)[order], time[order], s)
    if together.cost > cost:
        return separate
    out = np.empty(len(body), dtype=np.intp)
    out[order] = together.number
    return out


def _on_one_scale(cues: FloatArray, body: IntArray, time: FloatArray, s: GroupSettings) -> FloatArray:
    """Cues (n, K) without each body's own constant: the median difference from the nearest frame of the main body."""
    main = int(np.argmax(np.bincount(body)))
    theirs = np.flatnonzero(body == main)
    out = cues.copy()
    for b in np.unique(body[body != main]):
        own = np.flatnonzero(body == b)
        after = np.clip(np.searchsorted(time[theirs], time[own]), 1, max(len(theirs) - 1, 1))
        before = after - 1
        after = np.minimum(after, len(theirs) - 1)
        nearer = np.abs(time[theirs[after]] - time[own]) < np.abs(time[theirs[before]] - time[own])
        mate = theirs[np.where(nearer, after, before)]
        difference = (cues[own] - cues[mate])[np.abs(time[mate] - time[own]) <= s.near_s]
        for k in range(cues.shape[1]):
            known = difference[np.isfinite(difference[:, k]), k] if len(difference) else difference[:0, 0]
            if len(known) >= s.fewest_pairs:
                out[own, k] -= np.median(known)
    return out


def segments(cues: FloatArray, time_s: FloatArray, settings: GroupSettings) -> IntArray:
    """Segment number (n,) of frames in time order with standardised cues (n, K)."""
    return partition(cues, time_s, settings).number


def _cues(
    table: Table, skin_theta: FloatArray, rows: IntArray, of: IntArray, body: IntArray, time: FloatArray,
    s: GroupSettings, skin_sd: tuple[float, float, float],
) -> FloatArray:  # fmt: skip
    """Cues (n, K) of moments sorted by body and time, each over its standard deviation (one for all bodies).

    `of`: moment of each of the frames `rows`.
    """
    as_shot = np.where(table.as_shot_known[rows, None], table.as_shot[rows], np.nan)
    skin, ev = skin_theta[rows], table.settings_ev[rows]
    level, red, green, blue = table.scene[rows].T
    columns = [
        (as_shot[:, 0], s.as_shot_mired_sd),
        (as_shot[:, 1], s.as_shot_tint_sd),
        (skin[:, 0], skin_sd[0]),
        (skin[:, 1], skin_sd[1]),
        (red - green, s.scene_chroma_sd),
        (blue - green, s.scene_chroma_sd),
        (level / LN2 - ev, s.scene_level_sd),
    ]
    if not table.flash[rows[0]]:
        columns += [(skin[:, 2] + ev, skin_sd[2]), (ev, s.settings_sd)]
    averaged = [(_means(values, of), smallest) for values, smallest in columns]
    return np.stack([values / _jitter(values, body, time, smallest, s) for values, smallest in averaged], axis=1)


def _means(values: FloatArray, of: IntArray) -> FloatArray:
    """Mean of the known values of each moment, NaN without one."""
    known = np.isfinite(values)
    count = np.bincount(of, weights=known, minlength=int(of.max()) + 1)
    total = np.bincount(of, weights=np.where(known, values, 0.0), minlength=len(count))
    return np.where(count > 0, total / np.maximum(count, 1.0), np.nan)


def _jitter(values: FloatArray, body: IntArray, time: FloatArray, smallest: float, s: GroupSettings) -> float:
    """Moment-to-moment standard deviation, at least `smallest`: robust, from successive differences of a body.

    Only between moments close in time: over a pause the light has often changed.
    """
    known = np.isfinite(values)
    steps = np.diff(values[known])[(np.diff(body[known]) == 0) & (np.diff(time[known]) <= s.gap_unit_s)]
    if len(steps) < 3:
        return smallest
    found = 1.4826 * np.median(np.abs(steps)) / np.sqrt(2.0)
    n = len(steps)
    return float(np.sqrt((s.jitter_weight * smallest**2 + n * max(smallest, found) ** 2) / (s.jitter_weight + n)))


def _lone(cues: FloatArray, time_s: FloatArray, s: GroupSettings) -> BoolArray:
    """Flash frames (n,) far from their neighbours: the flash did not fire, whatever the file says."""
    if len(cues) < 3:
        return np.zeros(len(cues), dtype=bool)
    excess = np.nan_to_num(cues - limited(cues, time_s, s))
    return np.asarray((excess**2).sum(axis=1) > s.lone_excess)


def _in_order_of_appearance(labels: IntArray) -> IntArray:
    _, first, inverse = np.unique(labels, return_index=True, return_inverse=True)
    rank = np.argsort(np.argsort(first))
    return rank[inverse].astype(np.intp)
