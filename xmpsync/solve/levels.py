"""Exposure: the level of every frame, light and person.

Problem. A face of frame f has the level y_i (log2 Y at EV 0). Unknown are EV_f, the own levels S_p of persons without a
reference, and one level l_g per light whose frames' exposure settings s_f = log2(t ISO / N^2) are known (no flash):

    EV_f = S_p - y_i + pose,  pose ~ t(0, pose^2 + e_i^2);       EV_f = l_g - s_f + n(0, settings_g^2).

EV_f is eliminated, then the lights; the rest is dense in the persons. It serves to find S_p and l_g. What a
frame is given in the end (`answers`) trusts its own faces by their measurement alone: the settings steady what the
skin does not say, they never pull a well-measured face off its level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.settings import PriorSettings, VarianceSettings
from xmpsync.solve.tables import BoolArray, IntArray, medians, summed

PINNED_EV = 1e-3
"""sd with which a fixed frame has its exposure."""
SLOPE_EVIDENCE = 16.0
"""Squared standard errors from which a light's level drifts: one light in 15,000 by chance."""
MEASURED_EV = 0.03
"""How far two measurements of one face's level lie apart beyond noise: which cells count as its lit side."""
STATE_EV = (0.06, 0.083)
"""EV per z by axis: what blush and tan darken while they colour. Mean over measured skin spectra of a step of blood and
of melanin under D55, A and a phosphor LED, three cameras (0.050-0.069 and 0.080-0.090)."""


@dataclass(frozen=True, slots=True, eq=False)
class Question:
    """Entries (face, person, r) with levels `y` and measurement variances; frames with lights, settings and pins."""

    face: IntArray
    person: IntArray
    r: FloatArray
    y: FloatArray
    variance: FloatArray
    frame: IntArray
    light: IntArray
    settings: FloatArray
    coupled: BoolArray
    pinned: BoolArray
    pinned_ev: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Errors:
    """How errors hang together. People without a reference are known from one another and from the referenced ones, so
    the faces of one frame do not average them out.

    `joint` (P, P): covariance of own levels without a reference, were the references right; `by_referenced` (P, P):
    change of everybody's level with that of each referenced person; `light_by_persons` (G, P), `light_alone` (G,):
    change of each light's level with everybody's, and its own variance.
    """

    joint: FloatArray
    by_referenced: FloatArray
    light_by_persons: FloatArray
    light_alone: FloatArray

    def persons(self, referenced: FloatArray) -> FloatArray:
        """Covariance (P, P) of own levels with the variances (P,) of the references in it."""
        return np.asarray(self.joint + (self.by_referenced * referenced) @ self.by_referenced.T)


@dataclass(frozen=True, slots=True, eq=False)
class LightLevels:
    """Own levels (P,), light levels (G,), EV (F,); `h` (F,) its precision, `w` (E,) of the entries, `c` (F,) of the
    settings; variances of persons and lights as far as the references are right; `errors`: how these hang together.
    `pose`, `light_sd` (G,): the estimated sd; weights of the tails."""

    person: FloatArray
    light: FloatArray
    ev: FloatArray
    h: FloatArray
    w: FloatArray
    c: FloatArray
    person_variance: FloatArray
    light_variance: FloatArray
    errors: Errors
    pose: float
    light_sd: FloatArray
    face_weight: FloatArray
    frame_weight: FloatArray


def start(n_persons: int, n_lights: int, n_frames: int, s: VarianceSettings) -> LightLevels:
    """Nothing known yet."""
    zero, one = np.zeros, np.ones
    return LightLevels(
        zero(n_persons), zero(n_lights), zero(n_frames), zero(n_frames), zero(0), zero(n_frames), one(n_persons),
        one(n_lights), Errors(np.eye(n_persons), np.eye(n_persons), zero((n_lights, n_persons)), one(n_lights)),
        s.pose_ev, np.full(n_lights, s.settings_ev), one(0), one(n_frames),
    )  # fmt: skip


def levels(
    q: Question,
    before: LightLevels,
    own: FloatArray,
    free: BoolArray,
    people: float,
    light_prior: FloatArray,
    s: VarianceSettings,
    p: PriorSettings,
) -> LightLevels:
    """The levels after one step; `own` (P,) holds those of referenced persons, `free` (P,) the others.

    `people`: mean level of people; `light_prior` (G,): level of each light at which nothing would change.
    """
    n_p, n_g, n_f = len(own), len(light_prior), len(q.light)
    face_weight: FloatArray = before.face_weight if len(before.face_weight) == len(q.face) else np.ones(len(q.face))
    w = q.r * face_weight / (before.pose**2 + q.variance[q.face])
    frame = q.frame[q.face]
    c = np.where(q.coupled, before.frame_weight / before.light_sd[q.light] ** 2, 0.0)
    pin = np.where(q.pinned, PINNED_EV**-2, 0.0)
    h = np.asarray(np.bincount(frame, weights=w, minlength=n_f) + c + pin, dtype=np.float64)
    safe = np.where(h > 0, h, 1.0)

    # Frames eliminated, what is left is an arrow: dense in persons, diagonal in lights.
    settings = np.where(q.coupled, q.settings, 0.0)
    everybody = np.bincount(frame * n_p + q.person, weights=w, minlength=n_f * n_p).reshape(n_f, n_p)
    wide = np.where(free, everybody, 0.0)
    own_part = np.where(free[q.person], 0.0, own[q.person]) - q.y[q.face]
    told = np.bincount(frame, weights=w * own_part, minlength=n_f) - c * settings + pin * q.pinned_ev
    to_everybody = -wide.T @ (everybody / safe[:, None])
    left_p = np.diag(wide.sum(axis=0) + p.person_ev**-2) + np.where(free, to_everybody, 0.0)
    left_g = np.bincount(q.light, weights=c - c**2 / safe, minlength=n_g) + p.light_ev**-2
    left_all = -summed(q.light, everybody * (c / safe)[:, None], n_g)
    left_pg = np.where(free, left_all, 0.0)
    share = told / safe
    right_p = -1.0 * np.bincount(q.person, weights=np.where(free[q.person], w * own_part, 0.0), minlength=n_p)
    right_p += wide.T @ share + people * p.person_ev**-2
    right_g = np.bincount(q.light, weights=c * (settings + share), minlength=n_g) + light_prior * p.light_ev**-2
    inverse = np.linalg.inv(left_p - left_pg.T @ (left_pg / left_g[:, None]))
    person = inverse @ (right_p - left_pg.T @ (right_g / left_g))
    light = (right_g - left_pg @ person) / left_g
    light_variance = 1.0 / left_g + np.einsum("gi,ij,gj->g", left_pg, inverse, left_pg) / left_g**2
    person_variance = np.where(free, np.diag(inverse), 0.0)
    follow = -inverse @ (to_everybody - left_pg.T @ (left_all / left_g[:, None]))
    errors = Errors(
        joint=np.where(free[:, None] & free, inverse, 0.0),
        by_referenced=np.where(free, 0.0, np.where(free[:, None], follow, np.eye(n_p))),
        light_by_persons=-left_all / left_g[:, None],
        light_alone=np.asarray(1.0 / left_g),
    )
    person = np.where(free, person, own)

    target = person[q.person] - q.y[q.face]
    sums = np.bincount(frame, weights=w * target, minlength=n_f) + c * (light[q.light] - np.nan_to_num(q.settings))
    ev = np.asarray((sums + pin * q.pinned_ev) / safe, dtype=np.float64)
    rest = ev[frame] - target
    # Student's t per face; a face alone in its frame without settings fits by itself and says nothing of its tail.
    q2 = rest**2 / (before.pose**2 + q.variance[q.face])
    new_face = (s.tail + 1.0) / (s.tail + q2)
    off = np.where(q.coupled, ev - (light[q.light] - np.nan_to_num(q.settings)), 0.0)
    new_frame = (s.frame_tail + 1.0) / (s.frame_tail + off**2 / before.light_sd[q.light] ** 2)
    free_part = np.clip(1.0 - w / np.where(h[frame] > 0, h[frame], 1.0), 0.0, 1.0)
    noise = q.variance[q.face]
    pose2 = s.weight * s.pose_ev**2 + (q.r * new_face * np.maximum(rest**2 - noise * free_part, 0.0)).sum()
    pose = np.sqrt(pose2 / (s.weight + (q.r * free_part).sum()))
    slack = np.where(q.coupled, np.clip(1.0 - c / safe, 0.0, 1.0), 0.0)
    shown = np.bincount(frame, weights=q.r, minlength=n_f) > 0.5
    slack = np.asarray(slack * shown, dtype=float)
    per_light = np.bincount(q.light, weights=new_frame * off**2 * shown, minlength=n_g)
    count = np.bincount(q.light, weights=slack, minlength=n_g)
    shoot = (s.weight * s.settings_ev**2 + per_light.sum()) / (s.weight + count.sum())
    light_sd = np.sqrt((s.weight * shoot + per_light) / (s.weight + count))
    return LightLevels(
        person, light, ev, h, w, c, person_variance, light_variance, errors,
        max(float(pose), s.smallest_ev), np.maximum(light_sd, s.smallest_ev), new_face, new_frame,
    )  # fmt: skip


def answers(
    q: Question, x: LightLevels, minutes: FloatArray, state: float, doubts: FloatArray, referenced: FloatArray
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """EV (F,) of every frame, its variance, and whether anything at all tells it; `minutes` (F,) within its light.

    Own faces count by their measurement, the settings of the light by all that lies between them and a face. A light
    whose level drifts, as far as its own faces carry it, is followed. `state`: sd of skin state in z; `doubts`
    (N,): variance of the level of each face's person where it is open who that is; `referenced` (P,): that of the
    references.
    """
    n_f, n_p = len(q.light), len(x.person)
    frame = q.frame[q.face]
    own = measured_variance(state)
    w = q.r * x.face_weight / (q.variance[q.face] + own)
    target = x.person[q.person] - q.y[q.face]
    known = np.bincount(frame, weights=q.r, minlength=n_f) > 0.02
    lit = np.bincount(q.light[known], minlength=len(x.light)) > 0
    lit |= np.bincount(q.light[q.pinned], minlength=len(x.light)) > 0
    by_settings = q.coupled & lit[q.light]
    persons = x.errors.persons(referenced)
    by_persons = x.errors.light_by_persons
    light_variance = x.errors.light_alone + ((by_persons @ persons) * by_persons).sum(axis=1)
    of_light = x.light_sd[q.light] ** 2 + light_variance[q.light]
    c = np.where(by_settings, x.frame_weight / (of_light + x.pose**2), 0.0)
    h = np.bincount(frame, weights=w, minlength=n_f) + c
    sums = np.bincount(frame, weights=w * target, minlength=n_f).astype(float)
    drift = _drift(q, x, minutes, known)
    sums += c * np.where(by_settings, x.light[q.light] + drift - np.nan_to_num(q.settings), 0.0)
    told = h > 0
    safe = np.where(told, h, 1.0)
    ev = np.where(told, sums / safe, np.nan)
    # Flash, or settings unknown: a frame without a face takes the middle of its light.
    usual = medians(ev, q.light, known & told, len(x.light))
    apart = np.where(known & told, (ev - usual[q.light]) ** 2, 0.0)
    count = np.bincount(q.light, weights=known & told, minlength=len(x.light))
    scatter = (1.0 + np.bincount(q.light, weights=apart, minlength=len(x.light))) / (1.0 + count)
    ev = np.where(told, ev, usual[q.light])
    # Of a face: its measurement and whose it is; beside it the own levels of all persons the frame shows.
    variance = np.bincount(frame, weights=w**2 * (q.variance[q.face] + own + doubts[q.face]), minlength=n_f) / safe**2
    by_person = np.bincount(frame * n_p + q.person, weights=w / safe[frame], minlength=n_f * n_p).reshape(n_f, n_p)
    variance += ((by_person @ persons) * by_person).sum(axis=1)
    turned = x.pose**2 * np.clip(np.bincount(frame, weights=w, minlength=n_f) / safe, 0.0, 1.0)
    variance += (c / safe) ** 2 * (of_light + turned)
    variance = np.where(told, variance, scatter[q.light])
    ev = np.where(q.pinned, q.pinned_ev, ev)
    return ev, np.where(q.pinned, 0.0, variance), np.isfinite(ev)


def measured_variance(state: float) -> float:
    """Variance (EV^2) of one face's level beyond noise: measuring, and what a state of this sd (z) darkens."""
    return float(MEASURED_EV**2 + (state * np.hypot(*STATE_EV)) ** 2)


def _drift(q: Question, x: LightLevels, minutes: FloatArray, known: BoolArray) -> FloatArray:
    """EV (F,) that a light has drifted to, around its own level; zero where its faces do not carry a slope."""
    n = len(x.light)
    rows = np.flatnonzero(known & q.coupled)
    off = x.ev[rows] - (x.light[q.light[rows]] - q.settings[rows])
    light, t = q.light[rows], minutes[rows]
    count = np.bincount(light, minlength=n)
    safe = np.maximum(count, 1)
    dt = t - (np.bincount(light, weights=t, minlength=n) / safe)[light]
    middle = np.bincount(light, weights=off, minlength=n) / safe
    d = off - middle[light]
    stt = np.bincount(light, weights=dt**2, minlength=n)
    slope = np.bincount(light, weights=dt * d, minlength=n) / np.maximum(stt, 1e-9)
    left = np.bincount(light, weights=(d - slope[light] * dt) ** 2, minlength=n) / np.maximum(count - 2, 1)
    kept = (count >= 6) & (slope**2 * stt > SLOPE_EVIDENCE * np.maximum(left, 1e-6))
    centre = minutes - (np.bincount(light, weights=t, minlength=n) / safe)[q.light]
    return np.asarray(np.where(kept[q.light], slope[q.light] * centre, 0.0))
