"""Light groups: stretches of consecutive frames of one body under one light, found as change points.

Problem. Frames of one body, flash frames apart, in time order; each carries some cues x_k with a standard deviation
(`cues`). Find the cut points that minimise

    sum over segments [ sum_k min_slope cost_k(segment) ] + penalty per cut,

cost_k = squared standardised residuals around a line in time whose slope has a narrow prior (a drifting light is one
light), each residual limited beforehand (one wild frame is no new light). Solved exactly by dynamic programming
(optimal partitioning: Jackson et al. 2005, IEEE Signal Process. Lett. 12, 105) over a window that keeps the cost linear
in the number of frames; stretches longer than the window are joined afterwards, and short runs between two stretches
of one light are taken out as outliers (a flash that did not fire). When it fails: two lights that differ in none of
the cues stay one group, then each frame's own faces must do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.settings import GroupSettings, LinkSettings, SolveSettings
from xmpsync.solve.tables import BoolArray, IntArray, Table


@dataclass(frozen=True, slots=True, eq=False)
class Cues:
    """Standardised cues (F, K), NaN where a frame lacks one."""

    values: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """`group` (F,): one light of one body, 0.. in order of first appearance. `place` (F,): one light of all bodies."""

    group: IntArray
    place: IntArray


def find(table: Table, skin_theta: FloatArray, settings: SolveSettings, skin_sd: tuple[float, float, float]) -> Found:
    """Light groups of every frame.

    `skin_theta` (F, 3): correction (mired, tint, EV) that a frame's faces ask for by themselves, NaN without faces;
    `skin_sd` how far it scatters inside one light. The bodies are cut at common change points where their clocks
    agree: where cutting each for itself explains more, they are cut each for itself.
    """
    place = np.full(table.n_frames, -1, dtype=np.intp)
    following = 0
    s = settings.groups
    for flash in (False, True):
        rows = np.flatnonzero(table.flash == flash)
        if not len(rows):
            continue
        cues = _cues(table, skin_theta, rows, s, skin_sd)
        alone = np.zeros(len(rows), dtype=bool)
        if flash:
            for body in np.unique(table.body[rows]):
                own = table.body[rows] == body
                alone[own] = _lone(cues[own], table.time_s[rows[own]], s)
        kept = rows[~alone]
        if len(kept):
            place[kept] = following + _cut(table, kept, cues[~alone], settings)
            following = int(place.max()) + 1
        place[rows[alone]] = following + np.arange(int(alone.sum()))
        following += int(alone.sum())
    place = _in_order_of_appearance(place)
    return Found(_in_order_of_appearance(place * (int(table.body.max(initial=0)) + 1) + table.body), place)


def _cut(table: Table, rows: IntArray, cues: FloatArray, settings: SolveSettings) -> IntArray:
    """Place numbers (n,) of frames `rows`, sorted by body and time."""
    s, body, time = settings.groups, table.body[rows], table.time_s[rows]
    separate = np.empty(len(rows), dtype=np.intp)
    cost, following = 0.0, 0
    for b in np.unique(body):
        own = body == b
        numbers, own_cost = _segments(cues[own], time[own], s)
        separate[own] = following + numbers
        following += int(numbers.max()) + 1
        cost += own_cost + s.change_penalty * (following > int(numbers.max()) + 1)
    if len(np.unique(body)) < 2:
        return separate
    order = np.argsort(time, kind="stable")
    numbers, together = _segments(_on_one_scale(cues, body, time, settings.links)[order], time[order], s)
    if together > cost:
        return separate
    out = np.empty(len(rows), dtype=np.intp)
    out[order] = numbers
    return out


def _on_one_scale(cues: FloatArray, body: IntArray, time: FloatArray, s: LinkSettings) -> FloatArray:
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
    return _segments(cues, time_s, settings)[0]


def _segments(cues: FloatArray, time_s: FloatArray, settings: GroupSettings) -> tuple[IntArray, float]:
    """Segment numbers, and the cost of the best partition."""
    sums = _Sums(cues, time_s, settings)
    pause = np.diff(time_s, prepend=time_s[0])
    discount = settings.gap_discount * np.log1p(np.maximum(pause, 0.0) / settings.gap_unit_s)
    penalty = settings.change_penalty - np.minimum(discount, settings.longest_discount)
    starts, cost = _partition(sums, penalty, settings.window)
    return _join(sums, penalty, starts, settings), cost


def _cues(
    table: Table, skin_theta: FloatArray, rows: IntArray, s: GroupSettings, skin_sd: tuple[float, float, float]
) -> FloatArray:
    """Cues (n, K) of frames sorted by body and time, each over its standard deviation (one for all bodies)."""
    as_shot, skin, ev = table.as_shot[rows], skin_theta[rows], table.settings_ev[rows]
    scene = np.array([_scene_level(table, i) for i in rows])
    chroma = np.array([_scene_chroma(table, i) for i in rows]).reshape(-1, 2)
    columns = [
        (as_shot[:, 0], s.as_shot_mired_sd),
        (as_shot[:, 1], s.as_shot_tint_sd),
        (skin[:, 0], skin_sd[0]),
        (skin[:, 1], skin_sd[1]),
        (chroma[:, 0], s.scene_chroma_sd),
        (chroma[:, 1], s.scene_chroma_sd),
        (scene - ev, s.scene_level_sd),
    ]
    if not table.flash[rows[0]]:
        columns += [(skin[:, 2] + ev, skin_sd[2]), (ev, s.settings_sd)]
    return np.stack([values / _jitter(values, table.body[rows], smallest) for values, smallest in columns], axis=1)


def _jitter(values: FloatArray, body: IntArray, smallest: float) -> float:
    """Frame-to-frame standard deviation (from successive differences of a body, robust), at least `smallest`."""
    known = np.isfinite(values)
    steps = np.diff(values[known])[np.diff(body[known]) == 0]
    if len(steps) < 3:
        return smallest
    return max(smallest, float(1.4826 * np.median(np.abs(steps)) / np.sqrt(2.0)))


def _scene_level(table: Table, row: int) -> float:
    percentiles = table.frames[row].scene.green_percentiles
    if len(percentiles) < 4 or percentiles[3] <= 0:
        return float("nan")
    return float(np.log2(percentiles[3]))


def _scene_chroma(table: Table, row: int) -> tuple[float, float]:
    scene = table.frames[row].scene
    if not scene.green_percentiles or not any(scene.log_mean_camera):
        return float("nan"), float("nan")
    r, g, b = scene.log_mean_camera
    return r - g, b - g


class _Sums:
    """Running sums from which the cost of any segment follows in constant time."""

    def __init__(self, cues: FloatArray, time_s: FloatArray, settings: GroupSettings) -> None:
        cues = _limited(cues, time_s, settings)
        known = np.isfinite(cues)
        x = np.where(known, cues, 0.0)
        x = x - x.mean(axis=0)
        x = np.where(known, x, 0.0)
        # Over a long pause a light does not drift, it is another one: pauses count as `longest_drift_s` at most.
        clock = np.cumsum(np.minimum(np.diff(time_s, prepend=time_s[0]), settings.longest_drift_s))
        t = ((clock - clock.mean()) / 60.0)[:, None] * known
        self.n = len(cues)
        self.slope_precision = 1.0 / settings.drift_per_minute**2
        stacked = np.stack([known.astype(float), x, x * x, t, t * t, t * x])
        self.sums = np.concatenate([np.zeros((6, 1, cues.shape[1])), np.cumsum(stacked, axis=1)], axis=1)

    def cost(self, start: IntArray | int, end: IntArray | int) -> FloatArray:
        """Cost of the segments start..end-1 (arrays broadcast)."""
        start, end = np.broadcast_arrays(start, end)
        n, x, xx, t, tt, tx = self.sums[:, end] - self.sums[:, start]
        count = np.maximum(n, 1.0)
        spread = xx - x * x / count
        s_tt = tt - t * t / count
        s_tx = tx - t * x / count
        return np.asarray((spread - s_tx * s_tx / (s_tt + self.slope_precision)).sum(axis=-1))

    def cost_of_two(self, a: tuple[int, int], b: tuple[int, int]) -> float:
        """Cost of two separate stretches as one light."""
        n, x, xx, t, tt, tx = (
            self.sums[:, a[1]] - self.sums[:, a[0]] + self.sums[:, b[1]] - self.sums[:, b[0]]
        )  # fmt: skip
        count = np.maximum(n, 1.0)
        s_tt, s_tx = tt - t * t / count, tx - t * x / count
        return float((xx - x * x / count - s_tx * s_tx / (s_tt + self.slope_precision)).sum())


def _lone(cues: FloatArray, time_s: FloatArray, s: GroupSettings) -> BoolArray:
    """Flash frames (n,) far from their neighbours: the flash did not fire, whatever the file says."""
    if len(cues) < 3:
        return np.zeros(len(cues), dtype=bool)
    excess = np.nan_to_num(cues - _limited(cues, time_s, s))
    return np.asarray((excess**2).sum(axis=1) > s.lone_excess)


def _limited(cues: FloatArray, time_s: FloatArray, s: GroupSettings) -> FloatArray:
    """Each value kept near the median of itself and its neighbours: a lone wild value cannot cut.

    Frames beyond a pause are no neighbours: two frames between two pauses may well be another light.
    """
    n, limit = len(cues), s.huber
    if n < 3:
        return cues
    reach = np.arange(n)[:, None] + np.arange(-2, 3)
    stretch = np.cumsum(np.diff(time_s, prepend=time_s[0]) > s.neighbour_s)
    inside = (reach >= 0) & (reach < n)
    reach = np.clip(reach, 0, n - 1)
    inside &= stretch[reach] == stretch[:, None]
    near = cues[reach]
    known = np.isfinite(near) & inside[:, :, None]
    # A median without the missing ones, without numpy's warning where all are missing.
    order = np.sort(np.where(known, near, np.inf), axis=1)
    count = known.sum(axis=1)
    low = np.take_along_axis(order, np.maximum(count - 1, 0)[:, None] // 2, axis=1)[:, 0]
    high = np.take_along_axis(order, np.minimum(count // 2, 4)[:, None], axis=1)[:, 0]
    around = np.where(count > 0, 0.5 * (low + np.where(np.isfinite(high), high, low)), np.nan)
    return np.where(np.isfinite(cues), np.clip(cues, around - limit, around + limit), np.nan)


def _partition(sums: _Sums, penalty: FloatArray, window: int) -> tuple[list[int], float]:
    """First frames of the segments of the best partition, and its cost."""
    best = np.zeros(sums.n + 1)
    back = np.zeros(sums.n + 1, dtype=np.intp)
    cut = np.where(np.arange(sums.n) == 0, 0.0, penalty)
    for end in range(1, sums.n + 1):
        start = np.arange(max(0, end - window), end)
        total = best[start] + sums.cost(start, end) + cut[start]
        k = int(np.argmin(total))
        best[end], back[end] = total[k], start[k]
    starts, end = [], sums.n
    while end > 0:
        end = int(back[end])
        starts.append(end)
    return starts[::-1], float(best[-1])


def _join(sums: _Sums, penalty: FloatArray, starts: list[int], s: GroupSettings) -> IntArray:
    """Numbers (n,) after joining neighbours that are cheaper as one, also across a short outlier run."""
    runs = [(a, b) for a, b in zip(starts, [*starts[1:], sums.n], strict=True)]
    label = list(range(len(runs)))
    for i in range(1, len(runs)):
        for reach in (1, 2):
            j = i - reach
            if j < 0 or (reach == 2 and runs[i - 1][1] - runs[i - 1][0] > s.outlier_run):
                continue
            first = runs[j]
            apart = float(sums.cost(first[0], first[1]) + sums.cost(runs[i][0], runs[i][1]))
            together = sums.cost_of_two(first, runs[i])
            if together - apart < penalty[runs[i][0]]:
                label[i] = label[j]
                break
    out = np.empty(sums.n, dtype=np.intp)
    for (a, b), number in zip(runs, label, strict=True):
        out[a:b] = number
    return np.unique(out, return_inverse=True)[1].astype(np.intp)


def _in_order_of_appearance(labels: IntArray) -> IntArray:
    _, first, inverse = np.unique(labels, return_index=True, return_inverse=True)
    rank = np.argsort(np.argsort(first))
    return rank[inverse].astype(np.intp)
