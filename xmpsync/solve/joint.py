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

Method. Each pass takes the weights (r, rho', rho_c') at the current answer and makes one Gauss-Newton step (`arrow`:
frames, then lights, then persons are eliminated, at a cost linear in frames). Widths (sigma_g per group, skin state)
are re-estimated (`widths`) from pass `WIDTHS_FROM` on; the priors on them weigh a few frames. Standard deviations come
from the same elimination read backwards.

When it fails. If nobody links a person to a reference, that person's colour rests on the population prior alone and its
frames say so. If a light group shows one face only and no name, the mixture may sit between two persons: the answer
lies between and its deviation is large. The problem is not convex in r: `register` finds the start.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray, apply, by_component, inverse, product, transposed
from xmpsync.solve.arrow import Arrow, State, normal_equations
from xmpsync.solve.coordinate import Coordinates
from xmpsync.solve.lights import Lights, Widths
from xmpsync.solve.links import constants, tied
from xmpsync.solve.mixture import log_colour, responsibilities, unknown_colour
from xmpsync.solve.persons import Population, Roster, pointed_at
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.tables import IntArray, Table, summed
from xmpsync.solve.widths import estimated

WIDTHS_FROM = 3
LARGEST_STEP = np.array([60.0, 30.0, 2.0])
SOLVER_RANGE = (np.array([5.0, -260.0, -12.0]), np.array([640.0, 260.0, 12.0]))
"""Where the unknowns may walk: wider than a sidecar can hold, so that `clamped` is seen as such."""


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


def solve_joint(
    table: Table, free: Lights, place: IntArray, state: State, people: Population, s: SolveSettings
) -> Answer:
    """The answer from a start; see the module for what is minimised. `place` (F,): one light of all bodies."""
    passes, converged, light = 0, False, free
    for passes in range(1, s.iterations + 1):
        light = _tied(table, free, place, state, s)
        at = table.faces_at(state.theta)
        face_covariance = _face_covariance(table, at, state.widths)
        r = _expectation(table, light, state, at, face_covariance, people)
        state = replace(state, r=r)
        normal = normal_equations(table, light, state, at, face_covariance, people, s)
        system = Arrow(light, normal)
        d_theta, d_points, d_persons = system.step()
        if passes >= WIDTHS_FROM:
            state = replace(state, widths=estimated(table, light, state, at, normal, s))
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
    system = Arrow(light, normal_equations(table, light, state, at, face_covariance, people, s))
    covariance, persons_covariance = system.covariances()
    covariance = covariance + _from_light_to_light(table, light, state, at, s)
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


def _from_light_to_light(table: Table, light: Lights, state: State, at: Coordinates, s: SolveSettings) -> FloatArray:
    """(F, 3, 3): what cannot be averaged away, since a camera sees one person's skin differently from light to light.

    It is shared by all faces of a person in a light group, so only other persons lessen it; none in a group that holds
    a fixed frame, whose light is given.
    """
    if not table.n_faces:
        return np.zeros((table.n_frames, 3, 3))
    group = light.group[table.face_frame]
    seen = summed(group, state.r[:, :-1], light.n_groups)
    persons = np.maximum((seen.sum(axis=1) ** 2) / np.maximum((seen**2).sum(axis=1), 1e-9), 1.0)
    theta_by_z = inverse(at.by_theta)[..., :2]
    moved = theta_by_z * np.array(s.persons.between_lights_z_sd)
    each = product(moved, transposed(moved))
    faces = np.bincount(group, minlength=light.n_groups)
    mean = summed(group, each, light.n_groups) / np.maximum(faces, 1)[:, None, None]
    mean[light.group[table.fixed]] = 0.0
    return np.asarray((mean / persons[:, None, None])[light.group])


def _tied(table: Table, free: Lights, place: IntArray, state: State, s: SolveSettings) -> Lights:
    """The lights with groups of two bodies under one light tied to each other."""
    if int(table.body.max(initial=0)) == 0:
        return free
    seen = np.zeros(table.n_frames, dtype=bool)
    seen[table.face_frame] = True
    shown = np.where((seen | table.fixed)[:, None], free.at_frames(state.points), np.nan)
    return tied(table, place, free, state.points, constants(table, place, shown, s.links))


def _face_covariance(table: Table, at: Coordinates, widths: Widths) -> FloatArray:
    """(N, 3, 3): measurement carried into z, plus skin state."""
    measured = by_component(table.face_log_covariance, 2)
    return np.asarray(product(product(at.by_log_camera, measured), transposed(at.by_log_camera)) + widths.state)


def _expectation(
    table: Table, light: Lights, state: State, at: Coordinates, face_covariance: FloatArray, people: Population
) -> FloatArray:
    """Responsibilities from where the group's light puts each face."""
    if not table.n_faces:
        return np.zeros((0, state.roster.n + 1))
    frame = table.face_frame
    away = np.where(table.fixed[:, None], 0.0, light.at_frames(state.points) - state.theta)
    sd = np.where(table.fixed[:, None], 0.0, state.widths.frame[light.group])
    away, sd = by_component(away[frame], 1), by_component(sd[frame], 1)
    spread = at.by_theta * sd[:, None, :]
    covariance = face_covariance + product(spread, transposed(spread))
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
