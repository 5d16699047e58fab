"""The plain ways: closed forms on measured faces, told who is who, and the pooled one which frames share a light.

Each is what a few lines of arithmetic reach; where the solver is worse, its search or its model lost something.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmarks.skin.spectra import Array
from benchmarks.solve.day import Flags, Ints
from xmpsync.colour.camera import apply, xyz_from_camera
from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.colour.match import settings_for_target

HUBER, HUBER_PASSES = 1.5, 4


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """N measured faces in F frames. `stands` (F, 3): mired, tint, EV of the references as set, of others as shot."""

    frame: Ints
    person: Ints
    usable: Flags
    n_people: int
    seen: Array
    stands: Array
    reference: Flags
    profiles: tuple[CameraProfile, ...]
    body: Ints
    light: Ints

    @property
    def place(self) -> Ints:
        """(F,) one number for a light and a body."""
        out: Ints = self.light * len(self.profiles) + self.body
        return out


def closed_form(t: Table, colours: Array | None = None, place: Ints | None = None) -> Array:
    """Mired, tint, EV (F, 3): each frame's faces onto their persons' references, their mean.

    Persons without a reference get the colour that the frames set so far show. Frames without usable faces take the
    median of their `place` (F,), or stay as-shot where none is told. `colours` (N, 3) instead of those seen.
    """
    colours = t.seen if colours is None else colours
    theta, log_targets = t.stands.copy(), np.full((t.n_people, 3), np.nan)
    person = np.minimum(t.person, t.n_people - 1)
    new = t.usable & t.reference[t.frame]
    done = t.reference.copy()
    while new.any():
        _learn(t, colours, theta, new, log_targets)
        ready = t.usable & np.isfinite(log_targets[person, 0])
        asked = np.full((len(colours), 3), np.nan)
        asked[ready] = _asked(t, colours, ready, np.exp(log_targets))
        finite = np.isfinite(asked[:, 0])
        counts = np.bincount(t.frame[finite], minlength=len(theta))
        now = (counts > 0) & ~t.reference
        for k in range(3):
            theta[now, k] = (
                np.bincount(t.frame[finite], asked[finite, k], minlength=len(theta)) / np.maximum(counts, 1)
            )[now]
        done |= now
        known = done.copy()
        if place is not None:
            known |= np.isin(place, place[done])
            for number in np.unique(place[known & ~done]):
                here = place == number
                theta[here & ~done] = np.median(theta[here & done], axis=0)
        new = t.usable & known[t.frame] & ~np.isfinite(log_targets[person, 0])
    return theta


def pooled(t: Table) -> Array:
    """`seen` with the chromaticity of each person in each light (and body) replaced by its robust mean there."""
    log = np.log(t.seen)
    ratio = log[:, [0, 2]] - log[:, 1:2]
    key = np.where(t.usable, t.place[t.frame] * t.n_people + t.person, -1)
    for k in np.unique(key[key >= 0]):
        ratio[key == k] = robust_mean(ratio[key == k])
    log[:, [0, 2]] = log[:, 1:2] + ratio
    return np.exp(log)


def robust_mean(values: Array) -> Array:
    """Huber's mean of rows: full weight within 1.5 standard deviations (of the median deviation) of the middle."""
    if len(values) < 3:
        return np.asarray(values.mean(axis=0))
    middle = np.median(values, axis=0)
    for _ in range(HUBER_PASSES):
        away = np.linalg.norm(values - middle, axis=1)
        limit = HUBER * 1.4826 * np.median(away) + 1e-9
        middle = np.average(values, axis=0, weights=np.minimum(1.0, limit / np.maximum(away, 1e-9)))
    return np.asarray(middle)


def _learn(t: Table, colours: Array, theta: Array, rows: Flags, log_targets: Array) -> None:
    """Colours of persons as the frames that are set render them: their median in ln XYZ, in place."""
    at = np.flatnonzero(rows)
    log = np.zeros((len(at), 3))
    frame = t.frame[at]
    for b, profile in enumerate(t.profiles):
        mine = t.body[frame] == b
        mired, tint, ev = theta[frame[mine]].T
        matrix = 2.0 ** ev[:, None, None] * xyz_from_camera(profile, 1e6 / mired, tint)
        log[mine] = np.log(apply(matrix, colours[at[mine]]))
    for p in np.unique(t.person[at]):
        log_targets[p] = np.median(log[t.person[at] == p], axis=0)


def _asked(t: Table, colours: Array, rows: Flags, targets: Array) -> Array:
    at = np.flatnonzero(rows)
    out = np.zeros((len(at), 3))
    for b, profile in enumerate(t.profiles):
        mine = t.body[t.frame[at]] == b
        kelvin, tint, ev = settings_for_target(profile, colours[at[mine]], targets[t.person[at[mine]]])
        out[mine] = np.column_stack([1e6 / kelvin, tint, ev])
    return out
