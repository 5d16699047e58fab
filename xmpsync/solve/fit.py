"""The joint solve: who is who, what every person looks like in every light, one white per light, one colour per person.

Problem. For given responsibilities r the objective is the negative logarithm of one posterior,

    J = sum r rho(z - T - u) + sum rho(u) + sum rho(T + J d - S) + levels + weak priors,       rho: Student's t,

and a pass lowers it: T and u are eliminated (`pooled`), the lights next, the persons last (`two_way`); levels have
a sparse system of their own (`levels`). No step is refused: the problem is nearly linear. Then the responsibilities are
renewed (`evidence`) from predictive densities that leave each face out, half way at a time, and the variance
components from what is left over. The loop ends when neither whites nor persons nor responsibilities move.

A referenced person is not unknown: S_p is what the reference frame shows at its settings, its own moment steadied by
the other faces of the same person in the same light as far as the state found in this shoot says so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve import closed_form, evidence, levels, pooled
from xmpsync.solve.coordinate import Coordinates
from xmpsync.solve.pooled import Cells, Components, Within
from xmpsync.solve.reference import Target, robust_mean
from xmpsync.solve.roster import Roster
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.solution import Ending
from xmpsync.solve.tables import BoolArray, IntArray, Table, members
from xmpsync.solve.two_way import LightPrior, TwoWay, interaction, two_way

LEAST = 0.02
"""Responsibilities below this found no cell."""
TREND_EVIDENCE = 12.0
"""Squared standard errors beyond the price of two parameters from which a light drifts (one in 400 by chance)."""


@dataclass(frozen=True, slots=True, eq=False)
class Lights:
    """Light (one body) of each frame (F,), place (one light of all bodies) of each light (G,), and of the moments."""

    of_frame: IntArray
    place: IntArray
    moment: IntArray
    of_moment: IntArray
    minutes: FloatArray

    @property
    def n(self) -> int:
        return len(self.place)


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """The state of the solve: whites (G, 2), own colours (P, 3), responsibilities (N, P + 1), and what they rest on."""

    theta: FloatArray
    persons_z: FloatArray
    r: FloatArray
    cell: Cells
    within: Within
    t: FloatArray
    t_variance: FloatArray
    table: TwoWay
    jacobian: FloatArray
    rest: FloatArray
    question: levels.Question
    levels: levels.Levels
    components: Components
    at: Coordinates
    variance: FloatArray
    objective: float
    ending: Ending = Ending.CONVERGED
    passes: int = 0


def lights_of(table: Table, group: IntArray, place: IntArray, moment: IntArray) -> Lights:
    """Records of the lights; `moment` is cut where the light changes."""
    pair = np.stack([moment, group], axis=1)
    _, own = np.unique(pair, axis=0, return_inverse=True)
    own = own.reshape(-1).astype(np.intp)
    n, n_lights = int(own.max(initial=-1)) + 1, int(group.max(initial=-1)) + 1
    count = np.maximum(np.bincount(own, minlength=n), 1)
    time = np.bincount(own, weights=table.time_s, minlength=n) / count / 60.0
    of_moment = np.zeros(n, dtype=np.intp)
    of_moment[own] = group
    of_light = np.zeros(n_lights, dtype=np.intp)
    of_light[group] = place
    middle = np.bincount(of_moment, weights=time, minlength=n_lights) / np.maximum(
        np.bincount(of_moment, minlength=n_lights), 1
    )
    return Lights(group, of_light, own, of_moment, time - middle[of_moment])


def fit(
    table: Table,
    lights: Lights,
    roster: Roster,
    targets: tuple[Target, ...],
    people: FloatArray,
    r: FloatArray,
    theta: FloatArray,
    s: SolveSettings,
) -> Fit:
    """The solve from first responsibilities r (N, P + 1) and whites theta (G, 2); `people` (3,): their usual colour."""
    n_lights = lights.n
    components = Components(s.variances.state_z, np.full(n_lights, s.variances.frame_z), s.variances.person_light_z)
    persons = np.tile(people, (roster.n, 1))
    for i, target in enumerate(targets):
        persons[i] = target.z
    pinned = np.zeros(n_lights, dtype=bool)
    pinned[lights.of_frame[table.fixed]] = True
    level = levels.start(roster.n, n_lights, table.n_frames, s.variances)
    prior_names = evidence.names(roster, s.priors)
    free = ~roster.referenced
    state: Fit | None = None
    for number in range(s.passes):
        moved = _moved(table, lights, roster, targets, people, r, theta, persons, components, level, state, free, s)
        joint = _log_joint(table, lights, roster, moved, prior_names, pinned, people, s)
        new_r = evidence.responsibilities(joint, table.exclusive)
        step_r = float(np.abs(new_r - r).max(initial=0.0))
        step = _step_z(moved)
        new_theta = closed_form.inside(moved.theta + moved.table.d_theta)
        persons = moved.persons_z.copy()
        persons[:, :2] += moved.table.d_persons
        persons[:, 2] = moved.levels.person
        moved = replace(moved, within=pooled.with_trends(moved.within, TREND_EVIDENCE))
        state = replace(moved, passes=number + 1)
        if step < s.converged_z and step_r < 0.01:
            return replace(state, r=new_r, persons_z=persons)
        theta, level = new_theta, moved.levels
        r = 0.5 * (r + new_r) if number else new_r
        if number < s.settling_passes:
            components = _components(moved, free, s)
    assert state is not None
    return replace(state, ending=Ending.PASS_LIMIT)


def _moved(
    table: Table, lights: Lights, roster: Roster, targets: tuple[Target, ...], people: FloatArray, r: FloatArray,
    theta: FloatArray, persons: FloatArray, components: Components, level: levels.Levels, before: Fit | None,
    free: BoolArray, s: SolveSettings,
) -> Fit:  # fmt: skip
    """Everything that follows from whites, own colours and responsibilities, with the next step in `table`."""
    frame_theta = np.zeros((table.n_frames, 3))
    frame_theta[:, :2] = theta[lights.of_frame]
    at = table.faces_at(frame_theta)
    variance = _variances(table, at)
    light = lights.of_frame[table.face_frame]
    moment = lights.moment[table.face_frame]
    kept = before.cell if before is not None and before.passes >= s.growing_passes else None
    cell = pooled.cells(r, light, moment, lights.n, LEAST, kept)
    same_cells = before is not None and np.array_equal(before.cell.person, cell.person)
    x = pooled.within(
        cell, at.z[:, :2], variance[:, :2], lights.of_moment, lights.minutes, components,
        before.within if before is not None else None, s.variances,
    )  # fmt: skip
    jacobian = _cell_jacobians(cell, at, light, lights.n)
    own_t = pooled.settled(x)
    persons = _referenced(table, lights, targets, at, x, own_t, cell, persons)
    q = _question(table, lights, cell, at, variance)
    level_prior, people_level = _level_priors(table, lights), float(people[2])
    found = levels.levels(q, level, persons[:, 2], free, people_level, level_prior, s.variances, s.priors)
    weight = np.ones(cell.person.shape)
    if same_cells and before is not None:
        weight = _cell_weight(before.rest, components, s)
    m_variance = components.person_light**2 / weight
    m_variance[_defining(table, lights, targets)] = s.variances.defining_z**2
    prior = _light_prior(table, lights, before, s)
    step = two_way(
        x, cell.person, jacobian, theta, persons[:, :2], free, prior, (people[:2], s.priors.person_z), m_variance
    )
    s_cell = np.where((cell.person >= 0)[..., None], persons[np.maximum(cell.person, 0), :2], 0.0)
    s_new = s_cell + np.where((cell.person >= 0)[..., None], step.d_persons[np.maximum(cell.person, 0)], 0.0)
    moved = np.einsum("gkij,gj->gki", jacobian, step.d_theta)
    shifted = s_new - moved
    tie = np.where((cell.person >= 0)[..., None], 1.0 / m_variance[..., None], 0.0) * np.ones(2)
    t = pooled.settled(x, tie, tie * shifted)
    eye = np.eye(cell.person.shape[1])
    t_variance = np.stack(
        [
            np.einsum(
                "gii->gi", np.linalg.inv(x.a[..., k] + (tie[..., k] + 1e-9 + (cell.person < 0))[:, :, None] * eye)
            )
            for k in (0, 1)
        ],
        axis=-1,
    )
    rest = np.where((cell.person >= 0)[..., None], own_t - shifted, 0.0)
    objective = _objective(x, t, cell, shifted, components, found, q, s)
    return Fit(
        theta, persons, r, cell, x, t, t_variance, step, jacobian, rest, q, found, components, at, variance, objective
    )


def _objective(
    x: Within, t: FloatArray, cell: Cells, shifted: FloatArray, c: Components, found: levels.Levels,
    q: levels.Question, s: SolveSettings,
) -> float:  # fmt: skip
    """J at the eliminated T and u: Student's t of faces, moments and cells (constants left out), and the levels."""
    v = s.variances
    u = x.shared(t)
    q_face = ((x.y - t[x.light] - u[:, None, :]) ** 2 / (x.variance + c.state**2 + 1e-12)).sum(axis=-1)
    total = 0.5 * (v.tail + 2.0) * (x.r * np.log1p(q_face / v.tail)).sum()
    d = (u**2).sum(axis=-1) / c.frame[x.light] ** 2
    total += 0.5 * (v.frame_tail + 2.0) * np.log1p(d / v.frame_tail).sum()
    m = ((t - shifted) ** 2).sum(axis=-1) / c.person_light**2
    total += 0.5 * (v.tail + 2.0) * np.log1p(m[cell.person >= 0] / v.tail).sum()
    rest = found.ev[q.frame[q.face]] - (found.person[q.person] - q.y[q.face])
    total += 0.5 * (v.tail + 1.0) * (q.r * np.log1p(rest**2 / (found.pose**2 * v.tail))).sum()
    return float(total)


def _log_joint(
    table: Table, lights: Lights, roster: Roster, x: Fit, prior: FloatArray, pinned: FloatArray, people: FloatArray,
    s: SolveSettings,
) -> FloatArray:  # fmt: skip
    if not roster.n:
        return prior
    light = lights.of_frame[table.face_frame]
    out = prior + evidence.identity(roster, x.r)
    out += evidence.colour(
        x.at.z[:, :2], x.variance[:, :2].mean(axis=1), light, lights.moment[table.face_frame], x.cell, x.within,
        x.table, x.persons_z[:, :2], x.components, pinned, (people[:2], s.priors.person_z), s.variances,
    )  # fmt: skip
    out += evidence.level(x.question, x.levels, table.n_faces, (float(people[2]), s.priors.person_ev))
    return np.where(prior <= evidence.CERTAIN, evidence.CERTAIN * 4, out)


def _step_z(x: Fit) -> float:
    """Largest change that the next step makes to a whole light or person, z."""
    by_light = np.einsum("gkij,gj->gki", x.jacobian, x.table.d_theta)
    return float(max(np.abs(by_light).max(initial=0.0), np.abs(x.table.d_persons).max(initial=0.0)))


def _components(x: Fit, free: BoolArray, s: SolveSettings) -> Components:
    state, frame = pooled.components_from(x.within, x.t, x.t_variance, x.components, s.variances)
    noise = np.stack(
        [np.einsum("gii->gi", np.linalg.pinv(x.within.a[..., k], hermitian=True)) for k in (0, 1)], axis=-1
    )
    m = interaction(x.rest, noise, x.cell.person, free, _cell_weight(x.rest, x.components, s), s.variances)
    return Components(state, frame, m)


def _cell_weight(rest: FloatArray, c: Components, s: SolveSettings) -> FloatArray:
    """Student's t weights (G, K) of the table's residuals."""
    q = (rest**2).sum(axis=-1) / c.person_light**2
    return np.asarray((s.variances.tail + 2.0) / (s.variances.tail + q))


def _variances(table: Table, at: Coordinates) -> FloatArray:
    """Measurement variances (N, 3) of z."""
    b = at.by_log_camera
    return np.asarray(np.einsum("nij,njk,nik->ni", b, table.face_log_covariance, b))


def _cell_jacobians(cell: Cells, at: Coordinates, light: IntArray, n_lights: int) -> FloatArray:
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
    table: Table, lights: Lights, targets: tuple[Target, ...], at: Coordinates, x: Within, t: FloatArray, cell: Cells,
    persons: FloatArray,
) -> FloatArray:  # fmt: skip
    """Own colours with those of referenced persons as their reference frames show them now."""
    out = persons.copy()
    u = x.shared(t) + x.drift()
    at_baseline = table.faces_at(table.baseline).z
    for i, target in enumerate(targets):
        seen = []
        for row in target.faces:
            frame = table.face_frame[row]
            light, moment = lights.of_frame[frame], lights.moment[frame]
            slot = cell.slot[light, i]
            steadied = at_baseline[row].copy()
            if slot >= 0:
                steadied[:2] += t[light, slot] + u[moment] - at.z[row, :2]
            seen.append(steadied)
        seen += list(target.given)
        out[i] = robust_mean(np.array(seen))
    return out


def _question(table: Table, lights: Lights, cell: Cells, at: Coordinates, variance: FloatArray) -> levels.Question:
    # Entries of cells hold the faces' responsibilities; their persons follow from the slots.
    person = cell.person[lights.of_frame[table.face_frame[cell.face]], cell.place]
    coupled = np.isfinite(table.settings_ev) & ~table.flash
    return levels.Question(
        face=cell.face,
        person=person,
        r=cell.r,
        y=at.z[:, 2],
        variance=variance[:, 2],
        frame=table.face_frame,
        light=lights.of_frame,
        settings=np.where(coupled, table.settings_ev, 0.0),
        coupled=coupled,
        pinned=table.fixed,
        pinned_ev=table.baseline[:, 2],
    )


def _defining(table: Table, lights: Lights, targets: tuple[Target, ...]) -> IntArray:
    """Lights that hold a reference: how people look there is what they should look like."""
    rows = np.array([row for target in targets for row in target.faces], dtype=np.intp)
    return np.unique(lights.of_frame[table.face_frame[rows]])


def _level_priors(table: Table, lights: Lights) -> FloatArray:
    """(G,): the level of each light at which its frames keep exposure 0."""
    out = np.zeros(lights.n)
    for g, rows in enumerate(members(lights.of_frame, lights.n)):
        ev = table.settings_ev[rows]
        known = np.isfinite(ev)
        out[g] = float(np.median(ev[known])) if known.any() else 0.0
    return out


def _light_prior(table: Table, lights: Lights, before: Fit | None, s: SolveSettings) -> LightPrior:
    """Whites expected without skin: as-shot, weakly; a held or reference frame; the other body's in the same place."""
    p = s.priors
    mean = np.tile(np.array([190.0, 0.0]), (lights.n, 1))
    precision = np.tile(0.1 * np.array([p.light_mired, p.light_tint]) ** -2.0, (lights.n, 1))
    pinned = np.zeros(lights.n, dtype=bool)
    for g, rows in enumerate(members(lights.of_frame, lights.n)):
        known = rows[table.as_shot_known[rows]]
        if len(known):
            mean[g] = np.median(table.as_shot[known, :2], axis=0)
            precision[g] = np.array([p.light_mired, p.light_tint]) ** -2.0
        fixed = rows[table.fixed[rows]]
        if len(fixed):
            mean[g] = np.median(table.baseline[fixed, :2], axis=0)
            precision[g] = np.array([p.held_mired, p.held_tint]) ** -2.0
            pinned[g] = True
    if before is not None:
        _tie_bodies(table, lights, before, pinned, mean, precision, s)
    return LightPrior(mean, precision)


def _tie_bodies(
    table: Table,
    lights: Lights,
    before: Fit,
    pinned: BoolArray,
    mean: FloatArray,
    precision: FloatArray,
    s: SolveSettings,
) -> None:
    """A light of one body leans on the same light of another where it holds less skin, in place.

    The offset of two bodies is the median over their common places; few places leave it wide.
    """
    if len(np.unique(lights.place)) == lights.n:
        return
    p = s.priors
    body = np.zeros(lights.n, dtype=np.intp)
    body[lights.of_frame] = table.body
    weight = before.table.information.sum(axis=1) + np.where(pinned, 1e3, 0.0)
    for place in np.unique(lights.place):
        here = np.flatnonzero(lights.place == place)
        if len(here) < 2:
            continue
        best = here[weight[here].argmax()]
        if weight[best] < 1.0:
            continue
        for g in here[here != best]:
            pairs = [
                before.theta[a] - before.theta[b]
                for q in np.unique(lights.place)
                for a in np.flatnonzero((lights.place == q) & (body == body[g]))
                for b in np.flatnonzero((lights.place == q) & (body == body[best]))
                if q != place and min(weight[a], weight[b]) > 1.0
            ]
            n = len(pairs)
            offset = np.median(pairs, axis=0) * n / (n + 2.0) if n else np.zeros(2)
            sd = np.array([p.body_mired, p.body_tint]) / (2.0 if n >= 3 else 1.0)
            mean[g] = before.theta[best] + offset
            precision[g] = sd**-2.0
