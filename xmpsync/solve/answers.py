"""What every frame is given: its white, from its persons' pooled colours, and its exposure, from its own faces.

A frame that shows one person lands that person on their own colour exactly; one that shows several shares the rest
out by how well each is known. A frame without known faces takes the white of its light. Everything is closed form up
to the curvature of the camera model, which a few Gauss-Newton steps take care of.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.records import TINT_RANGE
from xmpsync.solve import levels, pooled
from xmpsync.solve.fit import Fit
from xmpsync.solve.given import Lights
from xmpsync.solve.reference import PersonTarget
from xmpsync.solve.settings import MIRED_RANGE, SolveSettings
from xmpsync.solve.tables import BoolArray, Table, medians, summed

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


def answers(
    table: Table, lights: Lights, x: Fit, targets: tuple[PersonTarget, ...], probability: FloatArray, s: SolveSettings
) -> Answers:
    """The answer of every frame; held and reference frames stay at their baselines.

    `probability` (N, P + 1): who each face may be; where that is open the deviations are wider, since people differ.
    """
    doubts, level_doubts = doubt(x, probability, s)
    reference, reference_level = _reference_variance(table, lights, x, targets)
    theta, covariance = _whites(table, lights, x, reference, doubts, s)
    light_theta = x.theta + x.table.d_theta
    moment_drift = x.within.drift()[lights.moment]
    mean_j = _mean_jacobian(x)
    by_light = light_theta[lights.of_frame] - _solve2(mean_j[lights.of_frame], moment_drift)
    q = x.question
    shift = _level_shift(table, x, theta)
    moved = levels.Question(
        q.face, q.person, q.r, q.y + shift, q.variance, q.frame, q.light, q.settings, q.coupled, q.pinned, q.pinned_ev
    )
    ev, ev_variance, told_level = levels.answers(
        moved, x.levels, lights.minutes[lights.moment], x.components.state, level_doubts, reference_level
    )
    light_ev = np.where(q.coupled, x.levels.light[lights.of_frame] - q.settings, np.nan)
    usual = medians(ev, lights.of_frame, told_level, lights.n)
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


def doubt(x: Fit, probability: FloatArray, s: SolveSettings) -> tuple[FloatArray, FloatArray]:
    """Variance of each face's target: of its chroma by axis (N, 2) and of its level (N,), as far as whose face it is
    stays open. The mixture of the own colours of everybody it may be, around what the solve took for it."""
    colour = np.concatenate([x.persons_z, x.persons_z.mean(axis=0, keepdims=True)])
    wide = np.zeros(colour.shape)
    wide[-1] = np.array([s.priors.person_z, s.priors.person_z, s.priors.person_ev]) ** 2
    total = x.r[:, :-1].sum(axis=1, keepdims=True)
    taken = x.r[:, :-1] @ x.persons_z / np.maximum(total, 1e-9)
    mixture = probability @ (colour**2 + wide) - 2.0 * taken * (probability @ colour) + taken**2
    out = np.where(total > 0.0, np.maximum(mixture, 0.0), 0.0)
    return out[:, :2], out[:, 2]


def _reference_variance(
    table: Table, lights: Lights, x: Fit, targets: tuple[PersonTarget, ...]
) -> tuple[FloatArray, FloatArray]:
    """Variances of referenced persons' colours (P, 2), what is left of state and measurement in their references once
    steadied, and of their levels (P,); zero for the others."""
    out, level = np.zeros((len(x.persons_z), 2)), np.zeros(len(x.persons_z))
    # By the light's own faces alone: that this person looks like the reference says nothing of the reference.
    by_faces = pooled.diagonal(x.own_covariance)
    for i, target in enumerate(targets):
        rows = np.array(target.faces, dtype=np.intp)
        n = len(rows) + len(target.given)
        light, moment = lights.of_frame[table.face_frame[rows]], lights.moment[table.face_frame[rows]]
        slot = x.cell.slot[light, i]
        steadied = by_faces[light, np.maximum(slot, 0)] + 1.0 / x.within.h[:, moment].T
        alone = x.variance[rows, :2] + x.components.state**2
        out[i] = np.where((slot >= 0)[:, None], np.minimum(steadied, alone), alone).sum(axis=0) / n**2
        level[i] = (x.variance[rows, 2] + levels.measured_variance(x.components.state)).sum() / n**2
    return out, level


def _whites(
    table: Table, lights: Lights, x: Fit, reference: FloatArray, doubts: FloatArray, s: SolveSettings
) -> tuple[FloatArray, FloatArray]:
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
    # Student's t of two dimensions holds (nu + 2) / (nu + 4) of the information of a normal of its scale.
    tails = (s.variances.tail + 4.0) / (s.variances.tail + 2.0)
    steadied = tails * (x.t_variance[light, cell.place] + 1.0 / x.within.h[:, moment].T)
    persons = x.table.persons(reference)
    own = np.einsum("pipi->pi", persons)
    error = steadied + s.noise_floor**2
    several = np.bincount(frame, weights=cell.r, minlength=n) > 1.02
    m2 = x.components.person_lights**2
    variance = error + own[person] + np.where(several[frame][:, None], m2, 0.0)
    weight = cell.r[:, None] / variance

    mean_j = _mean_jacobian(x)[lights.of_frame]
    light_theta = (x.theta + x.table.d_theta)[lights.of_frame] - _solve2(mean_j, drift[lights.moment])
    nobody = np.ones(n)
    total = np.bincount(cell.face, weights=cell.r, minlength=table.n_faces)
    np.multiply.at(nobody, table.face_frame, 1.0 - np.clip(total, 0.0, 1.0))
    light_weight = (nobody**2 + 1e-6)[:, None] / (m2 + x.components.frame[lights.of_frame, None] ** 2)
    lam = np.einsum("fji,fj,fjk->fik", mean_j, light_weight, mean_j) + 1e-10 * np.eye(2)

    theta = light_theta.copy()
    for _ in range(STEPS):
        full = np.zeros((n, 3))
        full[:, :2] = theta
        at = table.faces_at(full)
        j = at.by_theta[cell.face][:, :2, :2]
        # What the model moved between the light's white and this one, on top of the steadied colour.
        rest = at.z[cell.face, :2] + change - target
        weighted = np.swapaxes(j, 1, 2) * weight[:, None, :]
        a = lam + summed(frame, weighted @ j, n)
        b = np.einsum("fij,fj->fi", lam, light_theta - theta) - summed(frame, (weighted @ rest[..., None])[..., 0], n)
        step = np.linalg.solve(a, b[..., None])[..., 0]
        theta = theta + np.clip(step, -150.0, 150.0)
        theta[:, 0] = np.clip(theta[:, 0], 0.5 * MIRED_RANGE[0], 1.5 * MIRED_RANGE[1])
        theta[:, 1] = np.clip(theta[:, 1], 1.5 * TINT_RANGE[0], 1.5 * TINT_RANGE[1])
    # How an error of each entry, and of the light, comes through. The interaction is no error: it is what a frame that
    # shows several has to share out.
    inverse = np.linalg.inv(a)
    pull = inverse[frame] @ weighted
    covariance = summed(frame, (pull * error[:, None, :]) @ np.swapaxes(pull, 1, 2), n)
    # Own colours hang together: faces of one frame do not average them out.
    n_p = len(x.persons_z)
    by_person = summed(frame * n_p + person, pull, n * n_p).reshape(n, n_p, 2, 2).swapaxes(1, 2).reshape(n, 2, 2 * n_p)
    covariance += by_person @ persons.reshape(2 * n_p, 2 * n_p) @ np.swapaxes(by_person, 1, 2)
    of_face = summed(cell.face, pull, table.n_faces)
    covariance += summed(table.face_frame, (of_face * doubts[:, None, :]) @ np.swapaxes(of_face, 1, 2), n)
    j_inverse = np.linalg.inv(mean_j)
    moved = x.components.frame[lights.of_frame, None] ** 2
    of_light = x.table.lights(persons)[lights.of_frame]
    of_light = of_light + (j_inverse * moved[:, None, :]) @ np.swapaxes(j_inverse, 1, 2)
    pull = inverse @ lam
    return theta, np.asarray(covariance + pull @ of_light @ np.swapaxes(pull, 1, 2))


def _mean_jacobian(x: Fit) -> FloatArray:
    """dz / d(mired, tint) (G, 2, 2) of each light, the mean of its cells; the mean of all lights where it has none."""
    # A cell that emptied in the passes has none.
    real = ((x.cell.person >= 0) & (x.jacobian != 0.0).any(axis=(-2, -1)))[..., None, None]
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
