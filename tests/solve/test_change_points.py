"""The partition is the optimum: against all partitions, and against a plain recursion with costs from least squares."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.change_points import _cheapest, _joined, _parts, limited
from xmpsync.solve.settings import GroupSettings

SETTINGS = GroupSettings()


def _series(rng: np.random.Generator, n: int, k: int, stretch: float) -> tuple[FloatArray, FloatArray]:
    """Cues (n, k) with jumps every `stretch` frames or so, drift, missing values; times with pauses."""
    time = np.cumsum(rng.exponential(8.0, n) + np.where(rng.random(n) < 0.05, 900.0, 0.0))
    level = np.cumsum(np.where(rng.random(n) < 1.0 / stretch, 1.0, 0.0))[:, None] * rng.normal(0.0, 4.0, k)
    cues = level + rng.normal(size=(n, k)) + 0.002 * time[:, None] * rng.normal(size=k)
    cues[rng.random(n) < 0.3, k // 2 :] = np.nan
    cues[rng.random(n) < 0.1, 0] = np.nan
    return cues, time


def _least_squares(cues: FloatArray, time_s: FloatArray, *runs: tuple[int, int]) -> float:
    """Cost of runs as one light by LAPACK's least squares: a line per cue, its slope drawn to zero by an equation."""
    minutes = np.cumsum(np.minimum(np.diff(time_s, prepend=time_s[0]), SETTINGS.longest_drift_s)) / 60.0
    rows = np.concatenate([np.arange(*run) for run in runs])
    total = 0.0
    for x in cues[rows].T:
        known = rows[np.isfinite(x)]
        if len(known):
            t, x = minutes[known] - minutes[known].mean(), x[np.isfinite(x)]
            design = np.column_stack([np.append(np.ones(len(t)), 0.0), np.append(t, 1.0 / SETTINGS.drift_per_minute)])
            target = np.append(x - x.mean(), 0.0)
            total += float(((design @ np.linalg.lstsq(design, target)[0] - target) ** 2).sum())
    return total


@pytest.mark.parametrize("seed", range(12))
def test_no_partition_of_a_short_series_is_cheaper(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cues, time = _series(rng, 9, 5, 3.0)
    penalty = rng.uniform(2.0, 12.0, 9)
    cost = {(a, b): _least_squares(cues, time, (a, b)) for a in range(9) for b in range(a + 1, 10)}
    every = [(0, *cuts) for m in range(9) for cuts in combinations(range(1, 9), m)]
    price = [
        sum(cost[pair] for pair in zip(cuts, (*cuts[1:], 9), strict=True)) + penalty[list(cuts[1:])].sum()
        for cuts in every
    ]
    starts, found = _cheapest(_parts(cues, time, SETTINGS), penalty, 120)
    assert len(every) == 256
    assert found == pytest.approx(min(price), abs=1e-8)
    assert tuple(starts) == every[int(np.argmin(price))]


@pytest.mark.parametrize("window", [20, 45, 400])
@pytest.mark.parametrize("stretch", [8.0, 30.0, 1000.0])
def test_blocks_and_left_out_starts_lose_nothing(window: int, stretch: float) -> None:
    rng = np.random.default_rng(int(window + stretch))
    n = 150
    cues, time = _series(rng, n, 4, stretch)
    penalty = rng.uniform(4.0, 28.0, n)
    best, back = np.zeros(n + 1), np.zeros(n + 1, dtype=int)
    for end in range(1, n + 1):
        total = {
            s: best[s] + (penalty[s] if s else 0.0) + _least_squares(cues, time, (s, end))
            for s in range(max(0, end - window), end)
        }
        back[end] = min(total, key=lambda s: total[s])
        best[end] = total[back[end]]
    wanted = [n]
    while wanted[-1] > 0:
        wanted.append(int(back[wanted[-1]]))
    starts, found = _cheapest(_parts(cues, time, SETTINGS), penalty, window)
    assert found == pytest.approx(best[-1], abs=1e-7)
    assert starts.tolist() == wanted[:0:-1]
    assert len(starts) >= 3


def test_neighbours_are_joined_where_one_line_is_cheaper() -> None:
    rng = np.random.default_rng(5)
    cues, time = _series(rng, 60, 4, 12.0)
    penalty = rng.uniform(4.0, 40.0, 60)
    starts = np.array([0, 7, 20, 21, 33, 34, 50])
    ends = np.append(starts[1:], 60)
    numbers = _joined(_parts(cues, time, SETTINGS), penalty, starts, SETTINGS)

    runs = [(int(a), int(b)) for a, b in zip(starts, ends, strict=True)]

    def pair(a: int, b: int) -> bool:
        apart = _least_squares(cues, time, runs[a]) + _least_squares(cues, time, runs[b])
        return bool(_least_squares(cues, time, runs[a], runs[b]) - apart < penalty[starts[b]])

    label = list(range(len(starts)))
    for i in range(1, len(starts)):
        if pair(i - 1, i):
            label[i] = label[i - 1]
        elif i > 1 and ends[i - 1] - starts[i - 1] <= SETTINGS.outlier_run and pair(i - 2, i):
            label[i] = label[i - 2]
    wanted = np.unique(np.repeat(label, ends - starts), return_inverse=True)[1]
    assert numbers.tolist() == wanted.tolist()
    assert 1 < len(set(label)) < len(starts)


def test_a_lone_wild_value_is_kept_near_its_neighbours() -> None:
    cues = np.zeros((7, 1))
    cues[3] = 40.0
    still = limited(cues, np.arange(7.0), SETTINGS)
    assert still[3, 0] == SETTINGS.huber
    assert not still[[0, 1, 2, 4, 5, 6]].any()
