"""Clock offsets of several camera bodies, estimated from the lights that they saw.

Problem. Two bodies went through the same lights, each by its own clock. Their frames are cut into lights (`groups`) by
cues of the scene that do not depend on the body's settings: luminance log2(green) - log2(t ISO / N^2), mean
chromaticity through the body's profile at one fixed white, and skin of persons that both bodies name. The as-shot
white is left out: it depends on how a body was set, not on the light. With x_i a frame of the one body, h a light of
the other, and h(t_i + s) the light it falls into at a shift s,

    score(s) = w sum_i [ ln p(x_i | h(t_i + s)) - ln mean_h p(x_i | h) ]            and the same with bodies exchanged,

p robust (a floor below every Gaussian), one constant offset between the bodies, a burst averaged into one i. A frame
outside every light adds nothing; a single light is no evidence. Inside a light a shift changes nothing
either, so noise of scene content cannot move a clock: only frames near changes of light can. The sum is taken from
running sums per light, so that a shift costs a few look-ups.

Decision. The score is summed per light and each light's contribution is limited (upwards by a cap, downwards because a
body may have spent it elsewhere); a shift is applied only where it beats zero and every rival by a margin, in several
lights, with hardly any against. When it fails: bodies that never saw one light together, lights that repeat at
regular times (rivals), changes of light that lie in long pauses (the shift is not known well). Then nothing is moved.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from xmpsync.clocks.shared_lights import Body, BodyPair, body_from, cues_of
from xmpsync.clocks.thresholds import DEFAULT, ClockSettings
from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.problem import Frame


@dataclass(frozen=True, slots=True)
class Alignment:
    """`shifts_s`: seconds to ADD to each moved body's `time_s` (others are missing). `notes`: a sentence per body."""

    shifts_s: Mapping[str, float]
    notes: tuple[str, ...] = ()


def align(frames: Sequence[Frame], fixed: Collection[str] = (), settings: ClockSettings = DEFAULT) -> Alignment:
    """Seconds to add to the clock of each body, and a note on each.

    The body with most frames keeps its clock. `fixed`: bodies (or models) never moved. The order of frames does not
    matter. Raises nothing: without clear evidence clocks stay as they are, and the note gives the reason.
    """
    by_body: dict[str, list[Frame]] = {}
    for frame in frames:
        by_body.setdefault(frame.capture.body, []).append(frame)
    if len(by_body) < 2:
        return Alignment({})
    timed = {
        body: sorted((f for f in of if f.capture.time_s is not None), key=lambda f: (f.capture.time_s, f.frame_id))
        for body, of in sorted(by_body.items())
    }
    master = max(timed, key=lambda body: (len(timed[body]), body))
    if not timed[master]:
        return Alignment({}, tuple(f"{body}: no frame has a time, so its clock cannot be checked." for body in timed))
    shifts: dict[str, float] = {}
    notes = [f"{master}: took most frames, so its clock counts."]
    for body, of in timed.items():
        if body == master:
            continue
        if body in fixed or any(f.capture.model in fixed for f in of):
            notes.append(f"{body}: its clock is given and is left as it is.")
            continue
        shift_s, what = _aligned(timed[master], of, settings)
        if shift_s:
            shifts[body] = shift_s
        notes.append(f"{body}: {what}")
    return Alignment(shifts, tuple(notes))


def _aligned(master: list[Frame], other: list[Frame], s: ClockSettings) -> tuple[float, str]:
    """The shift of `other` (0.0 where it is left alone) and the sentence about it."""
    kept = "the clock is left as it is"
    few = f"{kept}: too few frames with time, scene and no flash to compare."
    if min(len(master), len(other)) < s.least_frames:
        return 0.0, few
    sd, known = cues_of(master, other, s)
    bodies = []
    for times, cues in known:
        if len(times) < s.least_frames:
            return 0.0, few
        if times[-1] - times[0] > s.longest_shoot_s:
            return 0.0, f"{kept}: its times are too far apart for one shoot."
        bodies.append(body_from(times, cues, sd, s))
    a, b = bodies
    if min(a.n_lights, b.n_lights) < 2:
        return 0.0, f"{kept}: no change of light was seen that could show whether it agrees."
    shifts = np.arange(-s.range_s, s.range_s + 1.0, s.step_s)
    coarse = BodyPair(a, b, sd, np.zeros(len(sd)), s).scores(shifts)
    fits = [_Fit.at(0.0, a, b, sd, s)] + [_Fit.near(p, a, b, sd, s) for p in _peaks(shifts, coarse, s)]
    still = fits[0]
    best = max(fits, key=lambda f: (f.total, -abs(f.shift_s)))
    if best.gain < s.least_gain or best.overlap < s.overlap:
        return 0.0, f"{kept}: the lights seen by both bodies do not agree at any shift, or too few were seen."
    if abs(best.shift_s) < s.smallest_shift_s:
        return 0.0, f"the clock agrees within the method's error ({best.n_lights} lights seen by both bodies)."
    gain = best.by_light - still.by_light
    in_favour, against = int((gain > s.small_cap).sum()), int((gain < -s.small_cap).sum())
    said = f"it may be wrong by {_clock(-best.shift_s)}"
    if best.total - still.total < s.margin or in_favour < s.least_lights or against > s.against * in_favour:
        return 0.0, f"{kept}: {said}, but the evidence against the present time is too weak."
    rivals = [f for f in fits[1:] if abs(f.shift_s - best.shift_s) > s.fine_s]
    if any(best.total - f.total < s.margin for f in rivals):
        return 0.0, f"{kept}: {said}, but another difference explains the lights nearly as well."
    shift_s, sd_s = best.shift_s, _error_s(best.shift_s, a, b, sd, s)
    if best.prior == s.hour_prior:
        hour_s, trust = 3600.0 * round(shift_s / 3600.0), s.hour_sd_s**2 / (s.hour_sd_s**2 + sd_s**2)
        shift_s, sd_s = float(round(hour_s + trust * (shift_s - hour_s))), sd_s * float(np.sqrt(trust))
    if sd_s > s.largest_sd_s:
        return 0.0, f"{kept}: {said}, but that is known to {sd_s:.0f} s only."
    return shift_s, (
        f"the clock is moved by {_clock(shift_s)} (known to about {max(sd_s, 2.0):.0f} s): "
        f"{in_favour} stretches of light agree only then, {against} contradict it."
    )


def _clock(shift_s: float) -> str:
    whole = round(abs(shift_s))
    return f"{'-' if shift_s < 0 else '+'}{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """One shift looked at closely. `gain`: limited sum over lights, against lights that come as they like."""

    shift_s: float
    by_light: FloatArray
    gain: float
    prior: float
    overlap: float
    n_lights: int

    @property
    def total(self) -> float:
        return self.gain + self.prior

    @classmethod
    def near(cls, coarse_s: float, a: Body, b: Body, sd: FloatArray, s: ClockSettings) -> _Fit:
        """The best shift around a coarse peak: mean of the peak, read as a likelihood."""
        shifts = coarse_s + np.arange(-s.fine_s, s.fine_s + 1.0, s.fine_step_s)
        scores = BodyPair(a, b, sd, _offset(coarse_s, a, b, s), s).scores(shifts)
        return cls.at(float(round(float(_peak(shifts, scores)))), a, b, sd, s)

    @classmethod
    def at(cls, shift_s: float, a: Body, b: Body, sd: FloatArray, s: ClockSettings) -> _Fit:
        by_light = BodyPair(a, b, sd, _offset(shift_s, a, b, s), s).by_light(shift_s)
        limited = np.logaddexp(np.log1p(-s.apart) + np.minimum(by_light, s.light_cap), np.log(s.apart))
        smaller, larger, sign = (b, a, 1.0) if len(b.time_s) <= len(a.time_s) else (a, b, -1.0)
        met = larger.light_at(smaller.time_s + sign * shift_s)
        whole_hour = abs(shift_s - 3600.0 * round(shift_s / 3600.0)) < s.hour_width_s
        is_hour = whole_hour and round(shift_s / 3600.0) != 0
        agrees = abs(shift_s) < s.smallest_shift_s
        return cls(
            shift_s=shift_s,
            by_light=limited,
            gain=float(limited.sum()),
            prior=0.0 if agrees else s.hour_prior if is_hour else s.other_prior,
            overlap=float((met >= 0).mean()),
            n_lights=len(np.unique(met[(met >= 0) & (met < larger.n_lights)])),
        )


def _offset(shift_s: float, a: Body, b: Body, s: ClockSettings) -> FloatArray:
    """Constant difference (K,) of the cues, b minus a, at a shift: median over b's frames, within its limits."""
    at = a.light_at(b.time_s + shift_s)
    limit = np.array([*s.offset_limit, *s.offset_limit * ((b.cues.shape[1] - 3) // 3)])
    inside = (at >= 0) & (at < a.n_lights)
    difference = np.where(inside[:, None], b.cues - a.level[np.where(inside, at, 0)], np.nan)
    middle = [np.median(d[np.isfinite(d)]) if np.isfinite(d).any() else 0.0 for d in difference.T]
    return np.clip(middle, -limit, limit)


def _peak(shifts_s: FloatArray, scores: FloatArray) -> FloatArray:
    """Mean shift (...) of peaks (..., S), each score read as a log likelihood."""
    likely = np.exp(scores - scores.max(axis=-1, keepdims=True))
    return np.asarray((likely * shifts_s).sum(axis=-1) / likely.sum(axis=-1))


def _error_s(shift_s: float, a: Body, b: Body, sd: FloatArray, s: ClockSettings) -> float:
    """Standard deviation of the best shift: the jackknife over lights (Efron & Stein 1981, Ann. Statist. 9, 586).

    Each change of light is seen by both bodies, so that only half of the lights are independent.
    """
    shifts = shift_s + np.arange(-s.fine_s, s.fine_s + 1.0, s.fine_step_s)
    pair = BodyPair(a, b, sd, _offset(shift_s, a, b, s), s)
    by_light = np.stack([pair.by_light(shift) for shift in shifts], axis=1)
    scores = by_light.sum(axis=0)
    without = _peak(shifts, scores - by_light)
    n = len(without)
    jackknife = 2.0 * (n - 1) / n * ((without - without.mean()) ** 2).sum()
    width = _peak((shifts - _peak(shifts, scores)) ** 2, scores)
    return float(np.sqrt(jackknife + width))


def _peaks(shifts_s: FloatArray, scores: FloatArray, s: ClockSettings) -> list[float]:
    """The best coarse shifts, `fine_s` apart at least, best first."""
    left = scores.copy()
    peaks: list[float] = []
    while len(peaks) < s.candidates and np.isfinite(left.max()):
        peaks.append(float(shifts_s[left.argmax()]))
        left[np.abs(shifts_s - peaks[-1]) <= s.fine_s] = -np.inf
    return peaks
