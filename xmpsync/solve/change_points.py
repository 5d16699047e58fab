"""Change points: the cheapest partition of a series into stretches, each a line in time, found exactly.

Problem. Frames in time order, each with standardised cues x_k (NaN where one is missing). Find the cut points that
minimise

    sum over segments [ sum_k min over level and slope (squared residuals + slope^2 / drift^2) ] + penalty per cut.

With n, t, x sums over the segment's known values and S = sums of products about their means, the cost of a segment is
S_xx - S_tx^2 / (S_tt + 1 / drift^2), summed over k.

Method. Optimal partitioning (Jackson et al. 2005, IEEE Signal Process. Lett. 12, 105): best(e) = min over starts s of
best(s) + cut(s) + cost(s, e), over a window that keeps the cost linear in the number of frames. The costs of a block of
ends are made at once; summed over cues they need only sums of squares and products, so cues that are known in the same
frames go through one matrix product. Starts that can never win again are left out, in the manner of PELT (Killick,
Fearnhead & Eckley 2012, J. Am. Stat. Assoc. 107, 1590): for s < b < e the line that is best over (s, e) explains (s, b)
no better than the best line of any slope does, so

    cost(s, e) >= free(s, b) + cost(b, e),     free: the cost without the prior on the slope,

and once best(s) + cut(s) + free(s, b) > best(b) + cut(b), b beats s at every later end. Nothing is lost by either.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.settings import GroupSettings
from xmpsync.solve.tables import IntArray

BLOCK = 32
"""Ends whose costs are made at once."""
SLACK = 1e-3
"""A start is left out where it loses by more than this: far above rounding, far below any penalty."""
SHORTEST_TIME = 1e-3
"""S_tt (min^2) below which a slope is not known at all and `free` is taken as 0."""


@dataclass(frozen=True, slots=True, eq=False)
class Partition:
    """Segment number (n,), rising with first appearance, and the cost of the best partition."""

    number: IntArray
    cost: float


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """Cues (n, k) known in the same frames (`known` (n,), 1 or 0), zero elsewhere; t (n,) in minutes."""

    x: FloatArray
    t: FloatArray
    known: FloatArray
    slope_precision: float

    def costs(self, starts: IntArray, ends: IntArray) -> tuple[FloatArray, FloatArray]:
        """Costs (S, E) of all segments start..end-1, and `free` (S,) of those up to the last end.

        Both sorted; meaningless where a start is not before an end.
        """
        rows = slice(starts[0], ends[-1])
        # Sums start at the first row and around the block's own middle: small numbers, little to cancel.
        known = self.known[rows]
        count = max(float(known.sum()), 1.0)
        t = (self.t[rows] - (self.t[rows] @ known) / count) * known
        x = (self.x[rows] - self.x[rows].sum(axis=0) / count) * known[:, None]
        k = x.shape[1]
        sums = np.zeros((len(known) + 1, 4 + 2 * k))
        stacked = [known, t, t * t, np.einsum("nk,nk->n", x, x)]
        np.cumsum(np.column_stack([*stacked, x, t[:, None] * x]), axis=0, out=sums[1:])
        left, right = sums[starts - starts[0]], sums[ends - starts[0]]
        n, t1, tt, xx = (right[:, c] - left[:, c, None] for c in range(4))
        of_x, of_tx = slice(4, 4 + k), slice(4 + k, 4 + 2 * k)
        n = np.maximum(n, 1.0)
        t1 /= n
        x_x = _products(left[:, of_x], right[:, of_x])
        s_xx = xx - x_x / n
        s_tt = tt - n * t1 * t1
        # sum over k of (tx - t x / n)^2
        s_tx = _products(left[:, of_tx], right[:, of_tx])
        s_tx += t1 * (t1 * x_x - 2.0 * _mixed(left[:, of_x], right[:, of_x], left[:, of_tx], right[:, of_tx]))
        s_tx = np.maximum(s_tx, 0.0)
        wide = s_tt[:, -1] > SHORTEST_TIME
        free = np.where(wide, s_xx[:, -1] - s_tx[:, -1] / np.where(wide, s_tt[:, -1], 1.0), 0.0)
        return s_xx - s_tx / (s_tt + self.slope_precision), free


def partition(cues: FloatArray, time_s: FloatArray, settings: GroupSettings) -> Partition:
    """The segments of frames in time order with standardised cues (n, K), neighbours that are one joined.

    Stretches longer than the window are joined, and short runs between two stretches of one light are taken out as
    outliers (a flash that did not fire). A pause makes a cut cheaper.
    """
    parts = _parts(limited(cues, time_s, settings), time_s, settings)
    pause = np.diff(time_s, prepend=time_s[0])
    discount = settings.gap_discount * np.log1p(np.maximum(pause, 0.0) / settings.gap_unit_s)
    penalty = settings.change_penalty - np.minimum(discount, settings.longest_discount)
    starts, cost = _cheapest(parts, penalty, settings.window)
    return Partition(_joined(parts, penalty, starts, settings), cost)


def limited(cues: FloatArray, time_s: FloatArray, s: GroupSettings) -> FloatArray:
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


def _parts(cues: FloatArray, time_s: FloatArray, s: GroupSettings) -> tuple[_Part, ...]:
    """The cues (n, K), those that are known in the same frames together."""
    # Over a long pause a light does not drift, it is another one: pauses count as `longest_drift_s` at most.
    minutes = np.cumsum(np.minimum(np.diff(time_s, prepend=time_s[0]), s.longest_drift_s)) / 60.0
    columns: dict[bytes, list[int]] = {}
    known = np.isfinite(cues)
    for k in range(cues.shape[1]):
        columns.setdefault(known[:, k].tobytes(), []).append(k)
    return tuple(
        _Part(
            x=np.where(known[:, own], cues[:, own], 0.0),
            t=minutes,
            known=known[:, own[0]].astype(float),
            slope_precision=1.0 / s.drift_per_minute**2,
        )
        for own in columns.values()
    )


def _cheapest(parts: tuple[_Part, ...], penalty: FloatArray, window: int) -> tuple[IntArray, float]:
    """First frames of the segments of the best partition, and its cost."""
    n, block = len(penalty), min(BLOCK, window)
    best, back = np.zeros(n + 1), np.zeros(n + 1, dtype=np.intp)
    cut = np.append(penalty, 0.0)
    cut[0] = 0.0
    alive = np.zeros(0, dtype=np.intp)
    for first in range(0, n, block):
        inside = np.arange(first, min(first + block, n))
        ends = inside + 1
        alive = alive[alive > first - window]
        starts, before = np.concatenate([alive, inside]), len(alive)
        cost, free = (np.sum(c, axis=0) for c in zip(*(part.costs(starts, ends) for part in parts), strict=True))
        opening = best[starts] + cut[starts]
        value, origin = np.full(len(ends), np.inf), np.zeros(len(ends), dtype=np.intp)
        if before:
            total = opening[:before, None] + cost[:before]
            total[alive[:, None] < ends - window] = np.inf
            nearest = total.argmin(axis=0)
            value, origin = total[nearest, np.arange(len(ends))], alive[nearest]
        best[ends], back[ends] = _inside(value, origin, first, float(best[first]), cut[inside], cost[before:])
        opening[before:] = best[inside] + cut[inside]
        alive = starts[opening + free <= best[ends[-1]] + cut[ends[-1]] + SLACK]
    found, end = [], n
    while end > 0:
        end = int(back[end])
        found.append(end)
    return np.array(found[::-1], dtype=np.intp), float(best[-1])


def _inside(
    value: FloatArray, origin: IntArray, first: int, best: float, cut: FloatArray, cost: FloatArray
) -> tuple[list[float], list[int]]:
    """Best cost and start of the ends of a block, from what starts before it offer and the block's own (m, m) costs.

    One end after another, since each is a start for the next: on plain numbers, which is faster for so few.
    """
    values, origins, costs, cuts = value.tolist(), origin.tolist(), cost.T.tolist(), cut.tolist()
    opening: list[float] = []
    for j, column in enumerate(costs):
        opening.append((values[j - 1] if j else best) + cuts[j])
        for i, open_cost in enumerate(opening):
            total = open_cost + column[i]
            if total < values[j]:
                values[j], origins[j] = total, first + i
    return values, origins


def _joined(parts: tuple[_Part, ...], penalty: FloatArray, starts: IntArray, s: GroupSettings) -> IntArray:
    """Numbers (n,) after joining neighbours that are cheaper as one, also across a short outlier run."""
    length = np.diff(np.append(starts, len(penalty)))
    cheaper = {reach: _gain(parts, starts, reach) < penalty[starts[reach:]] for reach in (1, 2)}
    label = np.arange(len(starts))
    for i in range(1, len(starts)):
        if cheaper[1][i - 1]:
            label[i] = label[i - 1]
        elif i > 1 and length[i - 1] <= s.outlier_run and cheaper[2][i - 2]:
            label[i] = label[i - 2]
    return np.unique(np.repeat(label, length), return_inverse=True)[1].astype(np.intp)


def _gain(parts: tuple[_Part, ...], starts: IntArray, reach: int) -> FloatArray:
    """What each run and the one `reach` before it cost more as one light than apart, (runs - reach,)."""
    more = np.zeros(max(len(starts) - reach, 0))
    for part in parts:
        x = part.x - part.x.mean(axis=0) * part.known[:, None]
        known, t = part.known, (part.t - part.t.mean()) * part.known
        stacked = np.concatenate(
            [np.broadcast_to(np.stack([known, t, t * t])[:, :, None], (3, *x.shape)), [x, x * x, t[:, None] * x]]
        )
        runs = np.add.reduceat(stacked, starts, axis=1)
        own = _cost_of(runs, part.slope_precision)
        both = _cost_of(runs[:, reach:] + runs[:, : len(more)], part.slope_precision)
        more += both - own[reach:] - own[: len(more)]
    return more


def _cost_of(sums: FloatArray, slope_precision: float) -> FloatArray:
    """Cost (m,) of segments from their sums n, t, tt, x, xx, tx (6, m, k)."""
    n, t, tt, x, xx, tx = sums
    n = np.maximum(n, 1.0)
    s_tx = tx - t * x / n
    return np.asarray((xx - x * x / n - s_tx * s_tx / (tt - t * t / n + slope_precision)).sum(axis=-1))


def _products(left: FloatArray, right: FloatArray) -> FloatArray:
    """(S, E): sum over k of (right - left)^2, of left (S, k) and right (E, k)."""
    squares = np.einsum("sk,sk->s", left, left)[:, None] + np.einsum("ek,ek->e", right, right)
    return np.asarray(squares - 2.0 * (left @ right.T))


def _mixed(left_x: FloatArray, right_x: FloatArray, left_y: FloatArray, right_y: FloatArray) -> FloatArray:
    """(S, E): sum over k of (right_x - left_x) (right_y - left_y)."""
    own = np.einsum("sk,sk->s", left_x, left_y)[:, None] + np.einsum("ek,ek->e", right_x, right_y)
    return np.asarray(own - left_x @ right_y.T - left_y @ right_x.T)
