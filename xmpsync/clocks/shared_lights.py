"""One camera body over time: cues free of its settings, its lights, and the likelihood of another body's lights.

The derivation is in `clocks`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.clocks.thresholds import ClockSettings
from xmpsync.colour.arrays import FloatArray, apply
from xmpsync.colour.camera import xyz_from_camera
from xmpsync.solve.groups import segments
from xmpsync.solve.problem import Frame
from xmpsync.solve.tables import IntArray, settings_ev


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """One body's n bursts with cues (n, K) in time order, its H lights, and the times they are known for.

    `light` (n,) of each burst; `level` and `count` (H, K): mean of the cues, and of how many; NaN and 0 where unknown.
    Light `stretch_light` (J,) is known from `start_s` to `end_s` (J,); stretches do not overlap. Numbers from H on are
    moments `between` (G, 2) two lights, when it is either.
    """

    time_s: FloatArray
    cues: FloatArray
    light: IntArray
    level: FloatArray
    count: FloatArray
    start_s: FloatArray
    end_s: FloatArray
    stretch_light: IntArray
    between: IntArray

    @property
    def n_lights(self) -> int:
        return len(self.level)

    def light_at(self, time_s: FloatArray) -> IntArray:
        """Light (n,) at each time, H and more between two of them, -1 where none is known."""
        at = np.searchsorted(self.start_s, time_s, side="right") - 1
        inside = (at >= 0) & (time_s < self.end_s[at])
        return np.where(inside, self.stretch_light[at], -1)


def cues_of(
    master: list[Frame], other: list[Frame], s: ClockSettings
) -> tuple[FloatArray, list[tuple[FloatArray, FloatArray]]]:
    """Standard deviations (K,), and per body times (n,) and cues (n, K) of frames that have any; NaN where missing."""
    seen = [[face.name for f in of for face in f.faces if face.name and face.skin] for of in (master, other)]
    both = sorted(set(seen[0]) & set(seen[1]), key=lambda name: (-min(x.count(name) for x in seen), name))
    names = both[: s.persons]
    floors = np.array([*s.scene_sd, *s.skin_sd * len(names)])
    known, jitters = [], []
    for of in (master, other):
        cues = np.full((len(of), len(floors)), np.nan)
        ev = np.array([settings_ev(f) for f in of])
        scene = [f.scene for f in of]
        green = np.array([x.green_percentiles[3] if len(x.green_percentiles) > 3 else np.nan for x in scene])
        cues[:, 0] = np.log2(np.where(green > 0, green, np.nan)) - ev
        mean = np.array([x.log_mean_camera if any(x.log_mean_camera) else (np.nan,) * 3 for x in scene])
        cues[:, 1:3] = _colours(of, np.exp(mean), s)[:, 1:]
        for k, name in enumerate(names):
            skin = [next((x.skin.camera for x in f.faces if x.name == name and x.skin), (np.nan,) * 3) for f in of]
            cues[:, 3 * k + 3 : 3 * k + 6] = _colours(of, np.array(skin), s) - np.outer(ev, [1.0, 0.0, 0.0])
        cues[[bool(f.capture.flash_fired) for f in of]] = np.nan
        some = np.isfinite(cues).any(axis=1)
        known.append((np.array([f.capture.time_s for f in of], dtype=float)[some], cues[some]))
        jitters.append([_jitter(column) for column in cues[some].T])
    return np.maximum(floors, np.max(jitters, axis=0)), known


def _colours(frames: list[Frame], camera: FloatArray, s: ClockSettings) -> FloatArray:
    """(log2 Y, ln X/Y, ln Z/Y) (n, 3) of camera values (n, 3) at one fixed white, NaN where not a positive colour."""
    xyz = np.full((len(frames), 3), np.nan)
    profiles = [f.profile for f in frames]
    for profile in set(profiles):
        rows = [i for i, p in enumerate(profiles) if p == profile]
        xyz[rows] = apply(xyz_from_camera(profile, *s.white), camera[rows])
    x, y, z = np.where((xyz > 0).all(axis=1, keepdims=True), xyz, np.nan).T
    return np.stack([np.log2(y), np.log(x / y), np.log(z / y)], axis=1)


def _jitter(values: FloatArray) -> float:
    """Frame-to-frame standard deviation, robust; 0 where too little is known."""
    steps = np.diff(values[np.isfinite(values)])
    return float(1.4826 * np.median(np.abs(steps)) / np.sqrt(2.0)) if len(steps) > 3 else 0.0


def body_from(time_s: FloatArray, cues: FloatArray, sd: FloatArray, s: ClockSettings) -> Body:
    """Bursts and lights of frames in time order: times (n,), cues (n, K) with standard deviations (K,)."""
    time_s, cues = _bursts(time_s, cues, s.burst_s)
    light = segments(cues / sd, time_s, s.groups)
    each, first, light = np.unique(light, return_index=True, return_inverse=True)
    drifting = np.array([_drifts(time_s[light == k], cues[light == k] / sd, s) for k in range(len(each))])
    part = np.where(drifting[light], (time_s - time_s[first[light]]) // s.drift_part_s, 0.0).astype(np.intp)
    _, light = np.unique(np.stack([light, part]), axis=1, return_inverse=True)
    some = np.isfinite(cues)
    total, count = np.zeros((2, int(light.max()) + 1, cues.shape[1]))
    np.add.at(total, light, np.where(some, cues, 0.0))
    np.add.at(count, light, some)
    pause = np.diff(time_s)
    cut = np.flatnonzero((np.diff(light) != 0) | (pause > s.longest_pause_s))
    change = np.flatnonzero((np.diff(light) != 0) & (pause <= 2.0 * s.reach_s))
    reach = np.where(np.isin(cut, change), 0.0, np.minimum(pause[cut] / 2.0, s.reach_s))
    start = np.concatenate([[time_s[0] - s.reach_s], time_s[cut + 1] - reach, time_s[change]])
    end = np.concatenate([time_s[cut] + reach, [time_s[-1] + s.reach_s], time_s[change + 1]])
    stretch_light = np.concatenate([light[np.concatenate([[0], cut + 1])], len(total) + np.arange(len(change))])
    order = np.lexsort((end, start))
    return Body(
        time_s=time_s,
        cues=cues,
        light=light,
        level=np.where(count > 0, total / np.maximum(count, 1.0), np.nan),
        count=count,
        start_s=start[order],
        end_s=end[order],
        stretch_light=stretch_light[order],
        between=np.stack([light[change], light[change + 1]], axis=1),
    )


def _bursts(time_s: FloatArray, cues: FloatArray, burst_s: float) -> tuple[FloatArray, FloatArray]:
    """Times and cues averaged over frames that lie within `burst_s` of the first of them."""
    burst, first = np.zeros(len(time_s), dtype=np.intp), time_s[0]
    for i in range(1, len(time_s)):
        burst[i] = burst[i - 1] + (time_s[i] - first > burst_s)
        first = time_s[i] if burst[i] > burst[i - 1] else first
    some = np.isfinite(cues)
    total, count = np.zeros((2, burst[-1] + 1, cues.shape[1]))
    np.add.at(total, burst, np.where(some, cues, 0.0))
    np.add.at(count, burst, some)
    middle = np.bincount(burst, weights=time_s - time_s[0]) / np.bincount(burst) + time_s[0]
    return middle, np.where(count > 0, total / np.maximum(count, 1.0), np.nan)


def _drifts(time_s: FloatArray, standard: FloatArray, s: ClockSettings) -> bool:
    """Whether one light's standardised cues (n, K) change by `drift_sds` from end to end, beyond chance."""
    for cue in standard.T:
        t, x = time_s[np.isfinite(cue)], cue[np.isfinite(cue)]
        if len(t) < 8 or t[-1] - t[0] < s.drift_part_s:
            continue
        t = (t - t.mean()) / (t[-1] - t[0])
        slope, chance = float(t @ x / (t @ t)), 3.0 / float(np.sqrt(t @ t))
        if abs(slope) > max(s.drift_sds, chance):
            return True
    return False


def _evidence(own: Body, other: Body, offset: FloatArray, sd: FloatArray, s: ClockSettings) -> FloatArray:
    """Log-likelihood ratio (n, H + G) of each frame under each light of the other body, against any of its lights.

    `offset`: cues of `own` minus those of `other` under one light. A light never seen by the other counts as one more.
    """
    columns = [column[np.isfinite(column)] for column in np.concatenate([own.cues, other.cues]).T]
    spread = np.maximum([column.std() if len(column) else 0.0 for column in columns], sd)
    unknown = np.log(sd / spread)
    fit = np.zeros((len(own.cues), other.n_lights))
    beside = np.zeros(len(own.cues))
    for k in range(len(sd)):
        width = 1.0 + 1.0 / np.maximum(other.count[:, k], 1.0)
        seen, there = np.isfinite(own.cues[:, k]), np.isfinite(other.level[:, k])
        width = width[there]
        apart = own.cues[seen, k, None] - (offset[k] + other.level[there, k])
        # the floor is far above the smallest number, so that the sum needs no detour by logarithms
        p = (1.0 - s.floor) / np.sqrt(width) * np.exp(apart**2 * (-0.5 / (sd[k] ** 2 * width)))
        ln_p = np.full((len(apart), other.n_lights), unknown[k])
        ln_p[:, there] = np.log(p + s.floor * sd[k] / spread[k])
        fit[seen] += ln_p
        beside[seen] += unknown[k]
    lasting = np.bincount(other.light)
    share = lasting / lasting.sum() * other.n_lights / (other.n_lights + 1)
    of_all = np.logaddexp.reduce(fit + np.log(share), axis=1)
    any_light = np.logaddexp(of_all, beside - np.log(other.n_lights + 1))
    either = np.maximum(fit[:, other.between[:, 0]], fit[:, other.between[:, 1]])
    return np.asarray(s.trust * (np.concatenate([fit, either], axis=1) - any_light[:, None]))


class BodyPair:
    """Evidence of two bodies for a shift of the second, at a given offset (b's cues minus a's)."""

    def __init__(self, a: Body, b: Body, sd: FloatArray, offset: FloatArray, s: ClockSettings) -> None:
        self.sides = ((b, a, _evidence(b, a, offset, sd, s), 1.0), (a, b, _evidence(a, b, -offset, sd, s), -1.0))
        self.sums = [np.concatenate([np.zeros((1, e.shape[1])), e.cumsum(axis=0)]) for _, _, e, _ in self.sides]

    def scores(self, shifts_s: FloatArray) -> FloatArray:
        """Score (S,) of each shift: half the sum over the frames of both bodies, since each pair counts twice."""
        score = np.zeros(len(shifts_s))
        for (own, other, _, sign), sums in zip(self.sides, self.sums, strict=True):
            first = np.searchsorted(own.time_s, other.start_s - sign * shifts_s[:, None])
            last = np.searchsorted(own.time_s, other.end_s - sign * shifts_s[:, None])
            score += 0.5 * (sums[last, other.stretch_light] - sums[first, other.stretch_light]).sum(axis=1)
        return score

    def by_light(self, shift_s: float) -> FloatArray:
        """The score of one shift, by the lights of b and then of a in which the frames lie."""
        parts = []
        for own, other, evidence, sign in self.sides:
            at = other.light_at(own.time_s + sign * shift_s)
            said = np.where(at >= 0, evidence[np.arange(len(at)), at], 0.0)
            parts.append(0.5 * np.bincount(own.light, weights=said, minlength=own.n_lights))
        return np.concatenate(parts)
