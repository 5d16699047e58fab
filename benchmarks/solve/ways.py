"""The ways beside each other: as-shot, two plain closed forms on the solver's own measurements, the solver itself.

The closed forms are told who is who, the pooled one also which frames share a light. Each is what a few lines of
arithmetic reach; where the solver is worse, its own search or its own model lost something.
"""

from __future__ import annotations

import inspect
import time
from dataclasses import dataclass

import numpy as np

from benchmarks.skin.spectra import Array
from benchmarks.solve.day import Flags, Ints
from benchmarks.solve.request import told
from benchmarks.solve.shoot import Shoot
from xmpsync.colour.camera import apply, xyz_from_camera
from xmpsync.colour.match import settings_for_target
from xmpsync.solve import solve
from xmpsync.solve.problem import Request
from xmpsync.solve.solution import Solution

HUBER, HUBER_PASSES = 1.5, 4
AS_SHOT, PER_FRAME, POOLED, TOLD, ALONE = "as-shot", "closed form", "pooled closed form", "told both", "told nothing"
BASELINES = (AS_SHOT, PER_FRAME, POOLED)


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """Mired, tint, EV (F, 3) of all frames by one way; the solution and its CPU seconds where it is the solver's."""

    theta: Array
    solution: Solution | None = None
    cpu_s: float = float("nan")


def ways(shoot: Shoot, request: Request, names: tuple[str, ...]) -> dict[str, Way]:
    """The ways of these names, by name."""
    out = {}
    for name in names:
        if name == AS_SHOT:
            out[name] = Way(_stands(shoot))
        elif name == PER_FRAME:
            out[name] = Way(closed_form(shoot, shoot.faces.seen, None))
        elif name == POOLED:
            out[name] = Way(closed_form(shoot, pooled(shoot), shoot.day.told_light * 2 + shoot.day.frame_body))
        else:
            out[name] = solved(shoot, request, with_truth=name == TOLD)
    return out


def solved(shoot: Shoot, request: Request, with_truth: bool) -> Way:
    """The tool; with the truth of who is who, and of the lights if this solver takes it."""
    more = {}
    if with_truth:
        request, lights = told(shoot, request)
        if "told_lights" in inspect.signature(solve).parameters:
            more = {"told_lights": lights}
    start = time.process_time()
    solution = solve(request, **more)
    cpu_s = time.process_time() - start
    written = [f.baseline if r.correction is None else r.correction
               for f, r in zip(request.frames, solution.frames, strict=True)]  # fmt: skip
    theta = np.array([(1e6 / c.temperature_k, c.tint, c.exposure_ev) for c in written])
    return Way(theta, solution, cpu_s)


def pooled(shoot: Shoot) -> Array:
    """`seen` with the chromaticity of each person in each light (and body) replaced by its robust mean there."""
    log = np.log(shoot.faces.seen)
    ratio = log[:, [0, 2]] - log[:, 1:2]
    light = shoot.day.told_light[shoot.faces.frame] * 2 + shoot.face_body
    key = light * (shoot.faces.person.max() + 1) + shoot.faces.person
    key[shoot.faces.clipped] = -1
    for k in np.unique(key[key >= 0]):
        rows = key == k
        ratio[rows] = _robust_mean(ratio[rows])
    out = log.copy()
    out[:, [0, 2]] = log[:, 1:2] + ratio
    return np.exp(out)


def closed_form(shoot: Shoot, colours: Array, light: Ints | None) -> Array:
    """Each frame's faces (N, 3) onto their persons' references, their mean.

    Persons without a reference get the colour that the frames set so far show. Frames without usable faces take the
    median of their light (F,), or stay as-shot where none is told.
    """
    usable = ~shoot.faces.clipped & ~shoot.guest
    theta = _stands(shoot)
    fixed = shoot.is_reference
    log_targets = np.full((shoot.people.n, 3), np.nan)
    at_reference = usable & fixed[shoot.faces.frame]
    theta[fixed] = _mired(shoot.truth.baseline[fixed])
    _learn(shoot, colours, theta, at_reference, log_targets)
    done = fixed.copy()
    while True:
        ready = usable & np.isfinite(log_targets[np.minimum(shoot.faces.person, shoot.people.n - 1), 0])
        asked = np.full((len(colours), 3), np.nan)
        asked[ready] = _asked(shoot, colours, ready, np.exp(log_targets))
        finite = np.isfinite(asked[:, 0])
        counts = np.bincount(shoot.faces.frame[finite], minlength=shoot.n_frames)
        now = (counts > 0) & ~fixed
        for k in range(3):
            total = np.bincount(shoot.faces.frame[finite], asked[finite, k], minlength=shoot.n_frames)
            theta[now, k] = total[now] / counts[now]
        done |= now
        if light is not None:
            _spread(shoot, theta, done, light)
        known = done.copy()
        if light is not None:
            known |= np.isin(light, light[done])
        new = (
            usable
            & known[shoot.faces.frame]
            & ~np.isfinite(log_targets[np.minimum(shoot.faces.person, shoot.people.n - 1), 0])
        )
        if not new.any():
            return theta
        _learn(shoot, colours, theta, new, log_targets)


def _stands(shoot: Shoot) -> Array:
    return _mired(np.column_stack([shoot.light.as_shot, np.zeros(shoot.n_frames)]))


def _mired(settings: Array) -> Array:
    return np.column_stack([1e6 / settings[:, 0], settings[:, 1:]])


def _learn(shoot: Shoot, colours: Array, theta: Array, rows: Flags, log_targets: Array) -> None:
    """Colours of persons as the frames that are set render them: their mean in ln XYZ, in place."""
    at = np.flatnonzero(rows)
    log = np.zeros((len(at), 3))
    frame = shoot.faces.frame[at]
    for b, camera in enumerate(shoot.bodies):
        mine = shoot.day.frame_body[frame] == b
        mired, tint, ev = theta[frame[mine]].T
        matrix = 2.0 ** ev[:, None, None] * xyz_from_camera(camera.profile, 1e6 / mired, tint)
        log[mine] = np.log(apply(matrix, colours[at[mine]]))
    for p in np.unique(shoot.faces.person[at]):
        log_targets[p] = np.median(log[shoot.faces.person[at] == p], axis=0)


def _asked(shoot: Shoot, colours: Array, rows: Flags, targets: Array) -> Array:
    at = np.flatnonzero(rows)
    out = np.zeros((len(at), 3))
    body = shoot.day.frame_body[shoot.faces.frame[at]]
    for b, camera in enumerate(shoot.bodies):
        mine = body == b
        kelvin, tint, ev = settings_for_target(camera.profile, colours[at[mine]], targets[shoot.faces.person[at[mine]]])
        out[mine] = np.column_stack([1e6 / kelvin, tint, ev])
    return out


def _spread(shoot: Shoot, theta: Array, done: Flags, light: Ints) -> None:
    """Frames that are not set take the median of those of their light that are, in place."""
    for number in np.unique(light[~done]):
        here = light == number
        if (here & done).any():
            theta[here & ~done] = np.median(theta[here & done], axis=0)


def _robust_mean(values: Array) -> Array:
    """Huber's mean of rows: full weight within 1.5 standard deviations (of the median deviation) of the middle."""
    middle = np.median(values, axis=0)
    for _ in range(HUBER_PASSES if len(values) > 2 else 0):
        away = np.linalg.norm(values - middle, axis=1)
        limit = HUBER * 1.4826 * np.median(away) + 1e-9
        weight = np.minimum(1.0, limit / np.maximum(away, 1e-9))
        middle = np.average(values, axis=0, weights=weight)
    return np.asarray(middle if len(values) > 2 else values.mean(axis=0))
