"""The joint solve: who is who, what every person looks like in every light, one white per light, one colour per person.

Problem. For given responsibilities r the objective is the negative logarithm of one posterior,

    J = sum r rho(z - T - u) + sum rho(u) + sum rho(T + J d - S) + levels + weak priors,       rho: Student's t,

and with the variance components held as well a pass lowers it: T and u are eliminated (`pooled`), the lights next, the
persons last (`two_way`); levels have a system of their own (`levels`). No step is refused: the problem is nearly
linear. Over the whole loop J need not fall, since the responsibilities are
renewed (`evidence`) from predictive densities that leave each face out, half way at a time, and the variance
components from what is left over. The loop ends when neither whites nor persons nor responsibilities move.

A referenced person is not unknown: S_p is what the reference frame shows at its settings, its own moment steadied by
the other faces of the same person in the same light as far as the state found in this shoot says so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray, inner_first
from xmpsync.solve import closed_form, evidence, levels, pooled
from xmpsync.solve.coordinate import Coordinates
from xmpsync.solve.given import Given, light_prior
from xmpsync.solve.pooled import Components, TableCells, Within
from xmpsync.solve.reference import robust_mean
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.solution import Ending
from xmpsync.solve.tables import BoolArray, IntArray
from xmpsync.solve.two_way import TwoWay, interaction, two_way

LEAST = 0.02
"""Responsibilities below this found no cell."""
RENEWED = 0.5
"""Of a change of responsibilities, what is made in one pass."""
TREND_EVIDENCE = 12.0
"""Squared standard errors beyond the price of two parameters from which a light drifts (one in 400 by chance)."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """The state of the solve: whites (G, 2), own colours (P, 3), responsibilities (N, P + 1), and what they rest on."""

    theta: FloatArray
    persons_z: FloatArray
    r: FloatArray
    cell: TableCells
    within: Within
    own_t: FloatArray
    own_covariance: FloatArray
    t: FloatArray
    t_variance: FloatArray
    table: TwoWay
    jacobian: FloatArray
    rest: FloatArray
    question: levels.Question
    levels: levels.LightLevels
    components: Components
    at: Coordinates
    variance: FloatArray
    ending: Ending = Ending.CONVERGED
    passes: int = 0


def fit(
    g: Given, r: FloatArray, theta: FloatArray, s: SolveSettings, passes: int | None = None, before: Fit | None = None
) -> Fit:
    """The solve from first responsibilities r (N, P + 1) and whites theta (G, 2), at most `passes` in all.

    `before`: the same solve as far as it has come; it goes on from there.
    """
    n_lights = g.lights.n
    components = Components(
        s.variances.state_z, np.full(n_lights, s.variances.frame_z), np.full(2, s.variances.person_light_z)
    )
    persons = np.tile(g.people, (g.roster.n, 1))
    for i, target in enumerate(g.targets):
        persons[i] = target.z
    level = levels.start(g.roster.n, n_lights, g.table.n_frames, s.variances)
    part, change = np.full((len(r), 1), RENEWED), np.zeros_like(r)
    state = before
    if before is not None:
        persons, components, level = before.persons_z, before.components, before.levels
    for number in range(before.passes if before is not None else 0, passes or s.passes):
        moved = _moved(g, r, theta, persons, components, level, state, s)
        new_r = evidence.responsibilities(_likelihood(g, moved, s), g.table.exclusive)
        # A face that swings to and fro between two persons is led to its middle.
        back = ((new_r - r) * change).sum(axis=1, keepdims=True) < 0.0
        part, change = np.where(back, 0.5 * part, np.minimum(1.2 * part, RENEWED)), new_r - r
        step, step_r = _step_z(moved), float((part * np.abs(change)).max(initial=0.0)) / RENEWED
        new_theta = closed_form.inside(moved.theta + moved.table.d_theta)
        persons = moved.persons_z.copy()
        persons[:, :2] += moved.table.d_persons
        persons[:, 2] = moved.levels.person
        moved = replace(moved, within=pooled.with_trends(moved.within, moved.own_t, TREND_EVIDENCE))
        state = replace(moved, passes=number + 1)
        if step < s.converged_z and step_r < s.converged_r:
            return replace(state, r=new_r, persons_z=persons)
        theta, level = new_theta, moved.levels
        r = r + part * change if number else new_r
        if number < s.settling_passes:
            components = _components(moved, g.free, s)
    assert state is not None
    return replace(state, ending=Ending.PASS_LIMIT)


def _moved(
    g: Given, r: FloatArray, theta: FloatArray, persons: FloatArray, components: Components, level: levels.LightLevels,
    before: Fit | None, s: SolveSettings,
) -> Fit:  # fmt: skip
    """Everything that follows from whites, own colours and responsibilities, with the next step in `table`."""
    lights = g.lights
    at = g.seen.at(theta)
    variance = _variances(g, at)
    kept = before.cell if before is not None and before.passes >= s.growing_passes else None
    cell = pooled.cells(r, g.light, g.moment, lights.n, LEAST, kept)
    same_cells = before is not None and np.array_equal(before.cell.person, cell.person)
    x = pooled.within(
        cell, at.z[:, :2], variance[:, :2], lights.of_moment, lights.minutes, components,
        before.within if before is not None else None, s.variances,
    )  # fmt: skip
    jacobian = _cell_jacobians(cell, at, g.light, lights.n)
    own_covariance = pooled.inverse(x)
    own_t = pooled.settled(x, own_covariance)
    persons = _referenced(g, at, x, own_t, cell, persons)
    q = _question(g, cell, at, variance)
    people_level = float(g.people[2])
    found = levels.levels(q, level, persons[:, 2], g.free, people_level, g.level_prior, s.variances, s.priors)
    weight = np.ones(cell.person.shape)
    if same_cells and before is not None:
        weight = _cell_weight(before.rest, components, s)
    m_variance = components.person_lights**2 / weight[..., None]
    m_variance[g.defining] = s.variances.defining_z**2
    prior = g.prior
    if before is not None:
        prior = light_prior(g, before.theta, before.table.information.sum(axis=1), s.priors)
    step = two_way(
        x, cell.person, jacobian, theta, persons[:, :2], g.free, prior, (g.people[:2], s.priors.person_z), m_variance
    )
    real = (cell.person >= 0)[..., None]
    s_new = np.where(real, (persons[:, :2] + step.d_persons)[np.maximum(cell.person, 0)], 0.0)
    shifted = s_new - np.einsum("gkij,gj->gki", jacobian, step.d_theta)
    tie = np.where(real, 1.0 / m_variance, 0.0)
    covariance = pooled.inverse(x, tie)
    t, t_variance = pooled.settled(x, covariance, tie * shifted), pooled.diagonal(covariance)
    rest = np.where(real, own_t - shifted, 0.0)
    return Fit(
        theta, persons, r, cell, x, own_t, own_covariance, t, t_variance, step, jacobian, rest, q, found, components,
        at, variance,
    )  # fmt: skip


def _likelihood(g: Given, x: Fit, s: SolveSettings) -> FloatArray:
    """(P + 1, N): how well each person explains each face."""
    if not g.roster.n:
        return g.told
    seen = evidence.colour(
        x.at.z[:, :2], x.variance[:, :2].mean(axis=1), g.light, g.moment, x.cell, x.within, x.table,
        x.persons_z[:, :2], x.components, g.pinned.astype(float), (g.people[:2], s.priors.person_z), s.variances,
    )  # fmt: skip
    seen *= evidence.level(x.question, x.levels, g.table.n_faces, (float(g.people[2]), s.priors.person_ev))
    seen *= g.told
    return seen


def _step_z(x: Fit) -> float:
    """Largest change that the next step makes to a whole light or person, z."""
    by_light = np.einsum("gkij,gj->gki", x.jacobian, x.table.d_theta)
    return float(max(np.abs(by_light).max(initial=0.0), np.abs(x.table.d_persons).max(initial=0.0)))


def _components(x: Fit, free: BoolArray, s: SolveSettings) -> Components:
    state, frame = pooled.components_from(x.within, x.t, x.t_variance, x.components, s.variances)
    shown = np.einsum("agii->gia", x.within.a) > 0
    noise = np.where(shown, pooled.diagonal(x.own_covariance), np.inf)  # an emptied cell shows nothing
    m = interaction(x.rest, noise, x.cell.person, free, _cell_weight(x.rest, x.components, s), s.variances)
    return Components(state, frame, m)


def _cell_weight(rest: FloatArray, c: Components, s: SolveSettings) -> FloatArray:
    """Student's t weights (G, K) of the table's residuals."""
    q = (rest**2 / c.person_lights**2).sum(axis=-1)
    return np.asarray((s.variances.tail + 2.0) / (s.variances.tail + q))


def _variances(g: Given, at: Coordinates) -> FloatArray:
    """Measurement variances (N, 3) of z."""
    b = inner_first(at.by_log_camera, 2)
    through = (b[:, :, None] * g.log_covariance).sum(axis=1)
    return np.asarray((through * b).sum(axis=1).T)


def _cell_jacobians(cell: TableCells, at: Coordinates, light: IntArray, n_lights: int) -> FloatArray:
    """Mean dz / d(mired, tint) of the faces of each cell (G, K, 2, 2)."""
    width = cell.person.shape[1]
    flat = light[cell.face] * width + cell.place
    total = np.bincount(flat, weights=cell.r, minlength=n_lights * width)
    out = np.zeros((n_lights * width, 2, 2))
    for i in (0, 1):
        for j in (0, 1):
            values = cell.r * at.by_theta[cell.face, i, j]
            out[:, i, j] = np.bincount(flat, weights=values, minlength=n_lights * width) / np.maximum(total, 1e-9)
    return out.reshape(n_lights, width, 2, 2)


def _referenced(
    g: Given, at: Coordinates, x: Within, t: FloatArray, cell: TableCells, persons: FloatArray
) -> FloatArray:
    """Own colours with those of referenced persons as their reference frames show them now."""
    out = persons.copy()
    u = x.shared(t) + x.drift()
    for i, (target, at_baseline) in enumerate(zip(g.targets, g.reference_z, strict=True)):
        rows = np.array(target.faces, dtype=np.intp)
        steadied = at_baseline.copy()
        slot = cell.slot[g.light[rows], i]
        own, rows = slot >= 0, rows[slot >= 0]
        steadied[own, :2] += t[g.light[rows], slot[own]] + u[g.moment[rows]] - at.z[rows, :2]
        seen = np.concatenate([steadied, np.array(target.given).reshape(-1, 3)])
        out[i] = seen[0] if len(seen) == 1 else robust_mean(seen)
    return out


def _question(g: Given, cell: TableCells, at: Coordinates, variance: FloatArray) -> levels.Question:
    return levels.Question(
        face=cell.face,
        person=cell.person[g.light[cell.face], cell.place],
        r=cell.r,
        y=at.z[:, 2],
        variance=variance[:, 2],
        frame=g.table.face_frame,
        light=g.lights.of_frame,
        settings=g.settings_ev,
        coupled=g.coupled,
        pinned=g.table.fixed,
        pinned_ev=g.table.baseline[:, 2],
    )
