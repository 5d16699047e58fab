"""The joint solve: every frame's correction, every person's own colour and every light, at once.

Unknowns. theta_f = (mired, tint, EV) of frame f; mu_k, the light of a group at points in time (`lights`); S_p, the own
colour of person p in the coordinate z (`coordinate`). Given. Camera colours c_i of faces i in frames f(i) with
covariances; references.

    minimise   1/2 sum_i sum_p r_ip rho( |W_i (z_i(theta_f) - S_p)|^2 )           faces
             + 1/2 sum_i r_i0 |W_i0 (z_i(theta_f) - people)|^2                    `someone else`
             + 1/2 sum_f rho_c( |(theta_f - o_f - (B mu)_f) / sigma_g|^2 )    frames follow their light
             + 1/2 sum_k |(mu_k - as-shot) / sd|^2 + |(mu_k+1 - mu_k) / sd|^2     weak light prior, slow drift
             + 1/2 sum_p |V_p (S_p - S_p0)|^2                                     references, as sure as one moment is
             + 1/2 |V (S - people)|^2                                             what people are like among themselves

rho is pseudo-Huber, rho_c Cauchy. W_i^T W_i = inverse of (measurement covariance carried into z + skin state).
o_f = -log2(t ISO / N^2) in EV: the camera's settings predict the level, except where flash fired. r_ip: probability
that face i is person p (`mixture`), from prior, the other faces of the frame, and the face's colour where the *group*
puts it (not where its own pull has put it, otherwise every first guess would confirm itself).

Method. Each pass takes the weights (r, rho', rho_c') at the current answer and makes one Gauss-Newton step. With
weights fixed the normal equations are an arrow: theta_f couple only to their light and to persons, so they are
eliminated frame by frame (3 x 3); the lights of a group form a band (tridiagonal in 3 x 3 blocks), solved as one
banded system; what is left is dense in the few persons. Cost is linear in frames. Widths (sigma_g per group, skin
state) are re-estimated by their posterior moments from pass `WIDTHS_FROM` on; the priors on them weigh a few frames.

Standard deviations come from the same elimination read backwards: the inverse of the whole matrix, 3 x 3 blocks on
the diagonal only.

When it fails. If nobody links a person to a reference, that person's colour rests on the population prior alone and its
frames say so. If a light group shows one face only and no name, the mixture may sit between two persons: the answer
lies between and its deviation is large. The problem is not convex in r: `register` finds the start.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy.sparse as sp
from scipy.linalg import solveh_banded

from xmpsync.colour.arrays import FloatArray, apply, inverse
from xmpsync.solve.coordinate import Coordinates
from xmpsync.solve.lights import Lights, Widths, group_coupled
from xmpsync.solve.links import constants, tied
from xmpsync.solve.mixture import log_colour, responsibilities, unknown_colour
from xmpsync.solve.persons import Population, Roster, pointed_at
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.tables import IntArray, Table

WIDTHS_FROM = 3
WIDTH_STEPS = 17
SMALLEST_STATE, LARGEST_STATE = 0.2, 4.0
"""Of the usual skin state."""
LARGEST_STEP = np.array([60.0, 30.0, 2.0])
SOLVER_RANGE = (np.array([5.0, -260.0, -12.0]), np.array([640.0, 260.0, 12.0]))
"""Where the unknowns may walk: wider than a sidecar can hold, so that `clamped` is seen as such."""


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """The current answer."""

    theta: FloatArray
    points: FloatArray
    roster: Roster
    widths: Widths
    r: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """The solved shoot: theta (F, 3) with covariance (F, 3, 3); the light alone at each frame (F, 3); persons with
    covariance; responsibilities (N, P + 1); widths; passes used and whether the last step was below the limit."""

    theta: FloatArray
    covariance: FloatArray
    light: FloatArray
    persons_z: FloatArray
    persons_covariance: FloatArray
    roster: Roster
    r: FloatArray
    widths: Widths
    passes: int
    converged: bool


@dataclass(frozen=True, slots=True, eq=False)
class Normal:
    """Weighted normal equations, frames eliminated later. U = inverse of the frame block (0 where fixed).

    `h_frame`, `g_frame`: what the faces alone say of each frame. `trust` (F,): weight of each frame's coupling.
    """

    u: FloatArray
    g_theta: FloatArray
    coupling: FloatArray
    trust: FloatArray
    h_frame: FloatArray
    g_frame: FloatArray
    g_points: FloatArray
    cross: FloatArray
    h_persons: FloatArray
    g_persons: FloatArray


def solve_joint(
    table: Table, free: Lights, place: IntArray, state: State, people: Population, s: SolveSettings
) -> Answer:
    """The answer from a start; see the module for what is minimised. `place` (F,): one light of all bodies."""
    passes, converged = 0, False
    light = _tied(table, free, place, state, s)
    for passes in range(1, s.iterations + 1):
        light = _tied(table, free, place, state, s)
        at = table.faces_at(state.theta)
        face_covariance = _face_covariance(table, at, state.widths)
        r = _expectation(table, light, state, at, face_covariance, people)
        state = replace(state, r=r)
        normal = _normal(table, light, state, at, face_covariance, people, s)
        system = _Arrow(light, normal)
        d_theta, d_points, d_persons = system.step()
        if passes >= WIDTHS_FROM:
            state = replace(state, widths=_widths(table, light, state, at, face_covariance, normal, s))
        moved = np.clip(d_theta, -LARGEST_STEP, LARGEST_STEP)
        state = replace(
            state,
            theta=np.clip(state.theta + moved, *SOLVER_RANGE),
            points=state.points + d_points,
            roster=replace(
                state.roster,
                z=state.roster.z + d_persons,
                covariance=system.persons_covariance(),
                share=_share(state.roster, r),
            ),
        )
        change = np.abs(moved) @ np.array([0.25, 0.5, 4.0])
        if passes > WIDTHS_FROM + 2 and float(change.max(initial=0.0)) < s.converged_z:
            converged = True
            break
    at = table.faces_at(state.theta)
    face_covariance = _face_covariance(table, at, state.widths)
    state = replace(state, r=_expectation(table, light, state, at, face_covariance, people))
    system = _Arrow(light, _normal(table, light, state, at, face_covariance, people, s))
    covariance, persons_covariance = system.covariances()
    return Answer(
        theta=state.theta,
        covariance=covariance,
        light=light.at_frames(state.points),
        persons_z=state.roster.z,
        persons_covariance=persons_covariance,
        roster=state.roster,
        r=state.r,
        widths=state.widths,
        passes=passes,
        converged=converged,
    )


def _tied(table: Table, free: Lights, place: IntArray, state: State, s: SolveSettings) -> Lights:
    """The lights with groups of two bodies under one light tied to each other."""
    if int(table.body.max(initial=0)) == 0:
        return free
    seen = np.zeros(table.n_frames, dtype=bool)
    seen[table.face_frame] = True
    shown = np.where((seen | table.fixed)[:, None], free.at_frames(state.points), np.nan)
    return tied(table, place, free, state.points, constants(table, place, shown, s.links))


def _persons_prior(
    table: Table, roster: Roster, face_covariance: FloatArray, people: Population
) -> tuple[FloatArray, FloatArray]:
    """Precision (3P, 3P) of the persons' prior, and its product with the prior mean (3P,).

    All are people seen in one look, which is known to `look_covariance` only: so the prior says what people are like
    among themselves, and next to nothing of all of them together. A reference adds what its faces are worth: their
    measurement and skin state (the other faces of its light group tell how far that moment was from the usual).
    """
    n = roster.n
    own = np.linalg.inv(people.covariance)
    shared = own @ np.linalg.inv(np.linalg.inv(people.look_covariance) + n * own) @ own
    precision = np.kron(np.eye(n), own) - np.kron(np.ones((n, n)), shared)
    right = precision @ np.tile(people.mean, n)
    for p in np.flatnonzero(roster.referenced):
        faces = np.flatnonzero(roster.reference_of == p)
        at = slice(3 * p, 3 * p + 3)
        known = (
            np.linalg.inv(face_covariance[faces].sum(axis=0) / len(faces) ** 2)
            if len(faces)
            else roster.prior_precision[p]
        )
        precision[at, at] += known
        right[at] += known @ roster.prior_mean[p]
    return precision, right


def _face_covariance(table: Table, at: Coordinates, widths: Widths) -> FloatArray:
    """(N, 3, 3): measurement carried into z, plus skin state."""
    return _measured(table, at) + widths.state


def _measured(table: Table, at: Coordinates) -> FloatArray:
    """(N, 3, 3): covariance of the measurement, carried into z."""
    return np.asarray(at.by_log_camera @ table.face_log_covariance @ np.swapaxes(at.by_log_camera, -1, -2))


def _expectation(
    table: Table, light: Lights, state: State, at: Coordinates, face_covariance: FloatArray, people: Population
) -> FloatArray:
    """Responsibilities from where the group's light puts each face."""
    if not table.n_faces:
        return np.zeros((0, state.roster.n + 1))
    frame = table.face_frame
    away = np.where(table.fixed[:, None], 0.0, light.at_frames(state.points) - state.theta)[frame]
    sd = np.where(table.fixed[:, None], 0.0, state.widths.frame[light.group])[frame]
    spread = at.by_theta * sd[:, None, :]
    covariance = face_covariance + spread @ np.swapaxes(spread, -1, -2)
    z = at.z + apply(at.by_theta, away)
    roster = state.roster
    log_density = log_colour(z, covariance, roster.z, roster.covariance, people)
    # Where a name or an identity points at somebody whose colour is not known yet, not knowing it is no evidence
    # against them (it would hand everybody to the person with the reference).
    face, person = np.nonzero(pointed_at(roster))
    log_density[face, person] += unknown_colour(covariance[face], roster.covariance[person])
    return responsibilities(log_density + roster.log_prior + np.log(roster.share), frame)


def _share(roster: Roster, r: FloatArray) -> FloatArray:
    count = r.sum(axis=0) + np.where(np.append(roster.referenced, False), 3.0, 0.5)
    return np.asarray(count / count.sum())


def _normal(
    table: Table,
    light: Lights,
    state: State,
    at: Coordinates,
    face_covariance: FloatArray,
    people: Population,
    s: SolveSettings,
) -> Normal:
    n_frames, n_persons = table.n_frames, state.roster.n
    frame = table.face_frame
    precision = inverse(face_covariance)
    wide = inverse(face_covariance + people.covariance)
    off = at.z[:, None, :] - state.roster.z
    squared = np.einsum("npi,nij,npj->np", off, precision, off, optimize=True)
    weight = state.r[:, :-1] / np.sqrt(1.0 + squared / s.loss_cutoff**2)
    weight[state.roster.reference_of >= 0] = 0.0  # they are the prior of their person
    stranger = state.r[:, -1]

    own = weight.sum(axis=1)
    information = own[:, None, None] * precision + stranger[:, None, None] * wide
    pull = apply(precision, np.einsum("np,npi->ni", weight, off)) + stranger[:, None] * apply(wide, at.z - people.mean)
    transposed = np.swapaxes(at.by_theta, -1, -2)
    h_frame = np.zeros((n_frames, 3, 3))
    g_frame = np.zeros((n_frames, 3))
    np.add.at(h_frame, frame, transposed @ information @ at.by_theta)
    np.add.at(g_frame, frame, -apply(transposed, pull))

    sd = state.widths.frame[light.group]
    behind = state.theta - light.at_frames(state.points)
    squared_c = ((behind / sd) ** 2).sum(axis=1)
    trust = 1.0 / (1.0 + squared_c / s.light.coupling_cutoff**2)
    trust[frame[state.roster.reference_of >= 0]] = 1.0  # a reference cannot have left its light
    coupling = trust[:, None] / sd**2
    free = ~table.fixed
    block = h_frame + coupling[:, :, None] * np.eye(3)
    u = np.where(free[:, None, None], inverse(block), 0.0)
    g_theta = g_frame - coupling * behind

    points = state.points
    g_points = light.interpolation.T @ (coupling * behind) + light.prior_precision * (light.prior_mean - points)
    slope = light.drift_precision[:-1] * (points[1:] - points[:-1])
    g_points[:-1] += slope
    g_points[1:] -= slope

    # d2/dtheta dS = -sum w J^T L, for all persons side by side: (F, 3, P, 3)
    jl = transposed @ precision
    cross = np.zeros((n_frames, 3, n_persons, 3))
    np.add.at(cross, frame, -(weight[:, None, :, None] * jl[:, :, None, :]))
    roster = state.roster
    prior, right = _persons_prior(table, roster, face_covariance, people)
    h_persons = prior.copy()
    for p, own in enumerate(np.einsum("np,nij->pij", weight, precision, optimize=True)):
        h_persons[3 * p : 3 * p + 3, 3 * p : 3 * p + 3] += own
    g_persons = np.einsum("np,nij,npj->pi", weight, precision, off, optimize=True).reshape(-1)
    g_persons += right - prior @ roster.z.reshape(-1)
    return Normal(
        u, g_theta, coupling, trust, h_frame, g_frame, g_points,
        cross.reshape(n_frames, 3, 3 * n_persons), h_persons, g_persons,
    )  # fmt: skip


class _Arrow:
    """Eliminates frames, then lights, then solves persons; and reads the inverse backwards."""

    def __init__(self, light: Lights, n: Normal) -> None:
        self.light, self.n = light, n
        self.persons = n.cross.shape[2]
        b = light.interpolation
        lam_u = n.coupling[:, :, None] * n.u
        # Schur complement of the frames: lights (band), lights x persons, persons.
        reduced = n.coupling[:, :, None] * np.eye(3) - lam_u * n.coupling[:, None, :]
        self.band = _band(light, reduced)
        self.uc = n.u @ n.cross
        mixed = b.T @ (n.coupling[:, :, None] * self.uc).reshape(len(n.u), 3 * self.persons)
        self.mixed = np.asarray(mixed).reshape(light.n * 3, self.persons)
        flat = n.cross.reshape(3 * len(n.u), self.persons)
        persons = n.h_persons - flat.T @ self.uc.reshape(3 * len(n.u), self.persons)
        ug = apply(n.u, n.g_theta)
        # coupling enters the lights' gradient through theta = U (g + Lambda B mu - C S)
        self.g_points = (n.g_points + np.asarray(b.T @ (n.coupling * ug))).reshape(-1)
        self.g_persons = n.g_persons - flat.T @ ug.reshape(-1)
        self.solved = solveh_banded(self.band, np.column_stack([self.g_points, self.mixed]), lower=True)
        self.schur = persons - self.mixed.T @ self.solved[:, 1:]
        self.ug = ug

    def step(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Changes of theta (F, 3), points (K, 3), persons (P, 3)."""
        d_s = (
            np.linalg.solve(self.schur, self.g_persons - self.mixed.T @ self.solved[:, 0])
            if self.persons
            else np.zeros(0)
        )
        d_mu = (self.solved[:, 0] - self.solved[:, 1:] @ d_s).reshape(-1, 3)
        at_frames = np.asarray(self.light.interpolation @ d_mu)
        d_theta = self.ug + apply(self.n.u, self.n.coupling * at_frames) - self.uc @ d_s
        return np.asarray(d_theta), d_mu, d_s.reshape(-1, 3)

    def persons_covariance(self) -> FloatArray:
        """Posterior covariance of the persons' colours (P, 3, 3)."""
        sigma = np.linalg.inv(self.schur) if self.persons else np.zeros((0, 0))
        return np.array([sigma[i : i + 3, i : i + 3] for i in range(0, self.persons, 3)]).reshape(-1, 3, 3)

    def covariances(self) -> tuple[FloatArray, FloatArray]:
        """Posterior covariance of theta (F, 3, 3) and of persons (P, 3, 3)."""
        sigma = np.linalg.inv(self.schur) if self.persons else np.zeros((0, 0))
        b = self.light.interpolation
        light_covariance = self._light_covariance()
        through = np.asarray(b @ self.solved[:, 1:].reshape(self.light.n, 3 * self.persons)).reshape(
            len(self.n.u), 3, self.persons
        )
        u_lambda = self.n.u * self.n.coupling[:, None, :]
        gain = -(u_lambda @ through) - self.uc
        covariance = self.n.u + u_lambda @ light_covariance @ np.swapaxes(u_lambda, -1, -2)
        covariance = covariance + (gain @ sigma) @ np.swapaxes(gain, -1, -2)
        return covariance, self.persons_covariance()

    def _light_covariance(self) -> FloatArray:
        """Covariance (F, 3, 3) of each light's curve at each frame, persons given."""
        b = self.light.interpolation
        dense_rows: Any = b
        out = np.zeros((len(self.n.u), 3, 3))
        ends = np.flatnonzero(self.light.drift_precision[:, 0] == 0.0) + 1
        starts = np.concatenate([[0], ends[:-1]])
        group_of_point = np.repeat(np.arange(len(ends)), ends - starts)
        frame_group = group_of_point[b.indices[b.indptr[:-1]]]
        order = np.argsort(frame_group, kind="stable")
        limits = np.searchsorted(frame_group[order], np.arange(len(ends) + 1))
        for g, (first, last) in enumerate(zip(starts, ends, strict=True)):
            frames = order[limits[g] : limits[g + 1]]
            size = 3 * (last - first)
            dense = solveh_banded(self.band[:, 3 * first : 3 * last], np.eye(size), lower=True)
            blocks = dense.reshape(last - first, 3, last - first, 3)
            w = dense_rows[frames][:, first:last].toarray()
            out[frames] = np.einsum("fa,aibj,fb->fij", w, blocks, w, optimize=True)
        return out


def _band(light: Lights, reduced: FloatArray) -> FloatArray:
    """Lower band (6, 3K) of the lights' matrix: sum over frames of (b b^T) x reduced, plus priors and drift."""
    b = light.interpolation
    n = light.n
    diagonal = np.asarray(b.power(2).T @ reduced.reshape(len(reduced), 9)).reshape(n, 3, 3)
    diagonal = diagonal + light.prior_precision[:, :, None] * np.eye(3)
    drift = light.drift_precision[:, :, None] * np.eye(3)
    diagonal = diagonal + drift
    diagonal[1:] += drift[:-1]
    below = -drift[:-1]
    # Frames between two points: the product of their two weights, on the block below the diagonal.
    left = _between(light)
    below = below + np.asarray(left.T @ reduced.reshape(len(reduced), 9)).reshape(n, 3, 3)[:-1]
    band = np.zeros((6, 3 * n))
    for i in range(3):
        for j in range(3):
            if i >= j:
                band[i - j, j::3] = diagonal[:, i, j]
            if n > 1:
                band[3 + i - j, j : 3 * (n - 1) : 3] = below[:, i, j]
    return band


def _between(light: Lights) -> sp.csr_array:
    """(F, K): at a frame's first point, the product of the weights of its two points."""
    b = light.interpolation
    shifted = sp.csr_array((b.data, np.maximum(b.indices - 1, 0), b.indptr), shape=b.shape)
    first = b.indices == 0
    data = np.where(first, 0.0, shifted.data)
    shifted = sp.csr_array((data, shifted.indices, shifted.indptr), shape=b.shape)
    return sp.csr_array(b.multiply(shifted))


def _widths(
    table: Table, light: Lights, state: State, at: Coordinates, face_covariance: FloatArray, n: Normal, s: SolveSettings
) -> Widths:
    """Posterior moments of the deviations, with the starting widths as a few frames' worth of prior."""
    frame = _frame_widths(table, light, state, n, s)
    if not table.n_faces:
        return replace(state.widths, frame=frame)
    return Widths(frame, _state(table, state, at, face_covariance, n, s))


def _state(
    table: Table, state: State, at: Coordinates, face_covariance: FloatArray, n: Normal, s: SolveSettings
) -> FloatArray:
    """Covariance (3, 3) of one face's state around its person, by its posterior moments.

    A residual e = state + measurement; a Gaussian state of covariance C shows as K e with K = C (C + measured)^-1.
    Blush moves skin further than tan does, and along another line, hence a whole covariance.
    """
    usual = np.array([s.persons.state_z_sd] * 2 + [s.persons.state_ev_sd])
    off = at.z[:, None, :] - state.roster.z
    q = np.einsum("npi,nij,npj->np", off, inverse(face_covariance), off, optimize=True)
    weight = state.r[:, :-1] / np.sqrt(1.0 + q / s.loss_cutoff**2)
    weight[state.roster.reference_of >= 0] = 0.0  # the reference is where it is by definition
    total = weight.sum(axis=1)
    spread = at.by_theta @ n.u[table.face_frame] @ np.swapaxes(at.by_theta, -1, -2)
    moment = np.einsum("np,npi,npj->nij", weight, off, off, optimize=True) + total[:, None, None] * spread
    now = state.widths.state
    gain = now @ inverse(face_covariance)
    rest = total.sum() * now - np.einsum("n,nij,jk->ik", total, gain, now, optimize=True)
    own = np.einsum("nij,njk,nlk->il", gain, moment, gain, optimize=True) + rest
    m = s.persons.state_prior_faces
    found = (m * np.diag(usual**2) + own) / (m + total.sum())
    # In usual widths, so that z and EV are alike, kept within reason.
    value, axis = np.linalg.eigh(found / np.outer(usual, usual))
    kept = (axis * np.clip(value, SMALLEST_STATE**2, LARGEST_STATE**2)) @ axis.T
    return np.asarray(kept * np.outer(usual, usual))


def _frame_widths(table: Table, light: Lights, state: State, n: Normal, s: SolveSettings) -> FloatArray:
    """How far frames scatter around their light (G, 3): the most probable widths, on a grid.

    A frame's faces alone put it at d off its curve, known to V: d ~ N(0, (V + width^2) f), f < 1 since the curve
    follows its own frames. The shoot's width comes from all frames, with a wide prior around the starting width; a
    group's own from its frames, with the shoot's as a few frames' worth of prior.
    """
    start = np.array([s.light.frame_mired_sd, s.light.frame_tint_sd, s.light.frame_ev_sd])
    log_grid = np.linspace(np.log(s.light.width_range[0]), np.log(s.light.width_range[1]), WIDTH_STEPS)
    grid = np.exp(log_grid)[:, None] * start
    points = np.bincount(light.group_of_point, minlength=light.n_groups)
    rows = np.zeros(table.n_frames, dtype=bool)
    rows[table.face_frame[state.r[:, :-1].sum(axis=1) > 0.5]] = True
    rows &= ~table.fixed
    counts = np.bincount(light.group[rows], minlength=light.n_groups)
    freedom = 1.0 - points / np.maximum(counts, 1)
    rows &= (freedom > 0.0)[light.group]
    at = np.flatnonzero(rows)
    log_likelihood = np.zeros((light.n_groups, WIDTH_STEPS, 3))
    if len(at):
        v = inverse(n.h_frame[at] + np.diag(1e-6 / start**2))
        d = (state.theta - light.at_frames(state.points))[at] + apply(v, n.g_frame[at])
        var = np.einsum("fii->fi", v)[:, None, :] + grid**2
        f = freedom[light.group[at]][:, None, None]
        each = -0.5 * n.trust[at][:, None, None] * (np.log(var) * f + d[:, None, :] ** 2 / var)
        np.add.at(log_likelihood, light.group[at], each)
    coupled = group_coupled(light)
    level = np.where(np.arange(3)[None, :] == 2, coupled[:, None], True)
    pooled = np.where(level[:, None, :], log_likelihood, 0.0).sum(axis=0)
    pooled -= 0.5 * (log_grid[:, None] / s.light.width_prior_log_sd) ** 2
    shoot = _expected_width(pooled, log_grid) * start
    ratio = (shoot / grid) ** 2
    own = log_likelihood + 0.5 * s.light.width_prior_frames * (np.log(ratio) - ratio)
    frame = _expected_width(own, log_grid) * start
    frame[~coupled, 2] = s.light.uncoupled_ev_sd
    return np.asarray(frame)


def _expected_width(log_posterior: FloatArray, log_grid: FloatArray) -> FloatArray:
    """exp of the mean log width (..., 3) under log posteriors (..., K, 3)."""
    p = np.exp(log_posterior - log_posterior.max(axis=-2, keepdims=True))
    return np.asarray(np.exp((p * log_grid[:, None]).sum(axis=-2) / p.sum(axis=-2)))
