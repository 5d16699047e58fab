"""What every frame is given: its white, from its persons' pooled colours, and its exposure, from its own faces.

A frame that shows one person lands that person on their own colour exactly; one that shows several shares the rest
out by how well each is known. A frame without known faces takes the white of its light. Everything is closed form up
to the curvature of the camera model, which a few Gauss-Newton steps take care of.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.records import TINT_RANGE
from xmpsync.solve import levels
from xmpsync.solve.fit import Fit
from xmpsync.solve.given import Lights
from xmpsync.solve.settings import MIRED_RANGE, SolveSettings
from xmpsync.solve.tables import BoolArray, Table

STEPS = 4


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """`theta` (F, 3) and its covariance (F, 3, 3); `light` (F, 3): what the frame's light alone would give; `told` (F,)
    frames whose light or faces hold evidence; `own` (F,) frames with a face of a person."""

    theta: FloatArray
    covariance: FloatArray
    light: FloatArray
    told: BoolArray
    own: BoolArray


def answers(table: Table, lights: Lights, x: Fit, s: SolveSettings) -> Answers:
    """The answer of every frame; held and reference frames stay at their baselines."""
    theta, covariance = _whites(table, lights, x, s)
    light_theta = x.theta + x.table.d_theta
    moment_drift = x.within.drift()[lights.moment]
    mean_j = _mean_jacobian(x)
    by_light = light_theta[lights.of_frame] - _solve2(mean_j[lights.of_frame], moment_drift)
    q = x.question
    shift = _level_shift(table, x, theta)
    moved = levels.Question(
        q.face, q.person, q.r, q.y + shift, q.variance, q.frame, q.light, q.settings, q.coupled, q.pinned, q.pinned_ev
    )
    ev, ev_variance, told_level = levels.answers(moved, x.levels, lights.minutes[lights.moment])
    light_ev = np.where(q.coupled, x.levels.light[lights.of_frame] - q.settings, np.nan)
    usual = levels.medians(ev, lights.of_frame, told_level, lights.n)
    light_ev = np.where(np.isfinite(light_ev), light_ev, usual[lights.of_frame])

    out = np.zeros((table.n_frames, 3))
    out[:, :2], out[:, 2] = theta, np.where(told_level, ev, 0.0)
    full = np.zeros((table.n_frames, 3, 3))
    full[:, :2, :2], full[:, 2, 2] = covariance, ev_variance
    out = np.where(table.fixed[:, None], table.baseline, out)
    full[table.fixed] = 0.0
    has_skin = np.zeros(lights.n, dtype=bool)
    has_skin[lights.of_frame[table.face_frame[q.face]]] = True
    has_skin[lights.of_frame[table.fixed]] = True
    of_place = np.zeros(int(lights.place.max(initial=-1)) + 1, dtype=bool)
    of_place[lights.place[has_skin]] = True
    has_skin = of_place[lights.place]
    own = np.zeros(table.n_frames, dtype=bool)
    own[table.face_frame[q.face[q.r >= 0.5]]] = True
    light = np.concatenate([by_light, np.nan_to_num(light_ev)[:, None]], axis=1)
    return Answers(out, full, light, has_skin[lights.of_frame], own)


def doubted(table: Table, x: Fit, found: Answers, lights: Lights, probability: FloatArray, s: SolveSettings) -> Answers:
    """The answers with wider deviations where it is not sure whose skin a frame shows: people differ."""
    best = probability[:, :-1].max(axis=1) if probability.shape[1] > 1 else np.zeros(table.n_faces)
    surest = np.zeros(table.n_frames)
    np.maximum.at(surest, table.face_frame, best)
    doubt = np.where(found.own & ~table.fixed, 1.0 - np.clip(surest, 0.0, 1.0), 0.0)
    inverse = np.linalg.inv(_mean_jacobian(x))[lights.of_frame]
    covariance = found.covariance.copy()
    covariance[:, :2, :2] += doubt[:, None, None] * s.priors.person_z**2 * inverse @ np.swapaxes(inverse, 1, 2)
    covariance[:, 2, 2] += doubt * s.priors.person_ev**2
    return replace(found, covariance=covariance)


def _whites(table: Table, lights: Lights, x: Fit, s: SolveSettings) -> tuple[FloatArray, FloatArray]:
    """Mired and tint (F, 2) with their covariance (F, 2, 2)."""
    cell, n = x.cell, table.n_frames
    frame = table.face_frame[cell.face]
    light, moment = lights.of_frame[frame], lights.moment[frame]
    person = cell.person[light, cell.place]
    u = x.within.shared(x.t)
    drift = x.within.drift()
    clean = x.t[light, cell.place] + u[moment] + drift[moment]
    # The same change for each face's own camera value: what it would measure without its state and noise.
    change = clean - x.at.z[cell.face, :2]
    target = x.persons_z[person, :2]
    steadied = x.t_variance[light, cell.place].mean(axis=-1) + (1.0 / x.within.h[moment]).mean(axis=-1)
    person_variance = 0.5 * np.einsum("pii->p", x.table.persons_covariance)[person]
    several = np.bincount(frame, weights=cell.r, minlength=n) > 1.02
    m2 = x.components.person_light**2
    variance = steadied + person_variance + np.where(several[frame], m2, 0.0) + s.noise_floor
    weight = cell.r / variance

    mean_j = _mean_jacobian(x)
    light_theta = (x.theta + x.table.d_theta)[lights.of_frame] - _solve2(mean_j[lights.of_frame], drift[lights.moment])
    nobody = np.ones(n)
    total = np.bincount(cell.face, weights=cell.r, minlength=table.n_faces)
    np.multiply.at(nobody, table.face_frame, 1.0 - np.clip(total, 0.0, 1.0))
    light_variance = m2 + (x.components.frame**2)[lights.of_frame]
    light_weight = (nobody**2 + 1e-6) / light_variance
    jl = mean_j[lights.of_frame]
    lam = light_weight[:, None, None] * np.einsum("fji,fjk->fik", jl, jl) + 1e-10 * np.eye(2)

    theta = light_theta.copy()
    a = lam.copy()
    for _ in range(STEPS):
        full = np.zeros((n, 3))
        full[:, :2] = theta
        at = table.faces_at(full)
        j = at.by_theta[cell.face][:, :2, :2]
        # What the model moved between the light's white and this one, on top of the steadied colour.
        z = at.z[cell.face, :2] + change
        rest = z - target
        a, b = lam.copy(), np.einsum("fij,fj->fi", lam, light_theta - theta)
        for row in (0, 1):
            for column in (0, 1):
                values = weight * np.einsum("ei,ei->e", j[:, :, row], j[:, :, column])
                a[:, row, column] += np.bincount(frame, weights=values, minlength=n)
            b[:, row] -= np.bincount(frame, weights=weight * np.einsum("ei,ei->e", j[:, :, row], rest), minlength=n)
        step = np.linalg.solve(a, b[..., None])[..., 0]
        theta = theta + np.clip(step, -150.0, 150.0)
        theta[:, 0] = np.clip(theta[:, 0], 0.5 * MIRED_RANGE[0], 1.5 * MIRED_RANGE[1])
        theta[:, 1] = np.clip(theta[:, 1], 1.5 * TINT_RANGE[0], 1.5 * TINT_RANGE[1])
    covariance = np.linalg.inv(a)
    covariance += (nobody**2)[:, None, None] * x.table.theta_covariance[lights.of_frame]
    return theta, covariance


def _mean_jacobian(x: Fit) -> FloatArray:
    """dz / d(mired, tint) (G, 2, 2) of each light, the mean of its cells; the mean of all lights where it has none."""
    real = (x.cell.person >= 0)[..., None, None]
    count = real.sum(axis=1)
    everywhere = (x.jacobian * real).sum(axis=(0, 1)) / max(int(real.sum()), 1)
    if not real.any():
        everywhere = np.array([[0.1, 0.1], [-0.1, 0.2]])
    return np.asarray(np.where(count > 0, (x.jacobian * real).sum(axis=1) / np.maximum(count, 1), everywhere))


def _solve2(matrix: FloatArray, values: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.solve(matrix + 1e-12 * np.eye(2), values[..., None])[..., 0])


def _level_shift(table: Table, x: Fit, theta: FloatArray) -> FloatArray:
    """What the levels (N,) change by when a frame's own white replaces that of its light."""
    full = np.zeros((table.n_frames, 3))
    full[:, :2] = theta
    return np.asarray(table.faces_at(full).z[:, 2] - x.at.z[:, 2])
