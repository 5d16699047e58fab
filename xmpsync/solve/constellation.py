"""The faces of one light group as a point set, and how well a shift of it onto the persons known explains it.

Inside one group all colours are displaced by one and the same vector (a change of white is a shift in the coordinate z,
a change of level too), so that the whole group has three unknowns:

    score(d) = sum_i ln [ sum_p pi_p t(y_i + d - S_p) + pi_0 N(y_i + d; people) ]  +  ln t(d; light)

y_i the faces at a common white.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.mixture import log_colour, log_sum, responsibilities
from xmpsync.solve.persons import Population, Roster
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.tables import IntArray, Table

MOST_FACES = 48
"""Faces of one group that are looked at; more add nothing to a shift of three numbers."""
ABSENT_COST = 2.0
"""Log evidence against a light group that shows nobody with a reference: references are people who are there a lot."""
TAILS = 4.0
"""Degrees of freedom of the light prior (Student's t): a silhouette or a lamp far from as-shot stays possible."""


@dataclass(frozen=True, slots=True, eq=False)
class Constellation:
    """Faces of one group (rows) at a common white: y (n, 3), covariance (n, 3, 3); prior of the shift in
    (mired, tint, EV): mean and sd (3,); mean dz/dtheta."""

    rows: IntArray
    frame: IntArray
    y: FloatArray
    covariance: FloatArray
    prior_mean: FloatArray
    prior_sd: FloatArray
    by_theta: FloatArray
    pinned: bool


def constellation(
    table: Table, group: IntArray, g: int, theta: FloatArray, state_sd: tuple[float, float], s: SolveSettings
) -> Constellation | None:
    member = group[table.face_frame] == g
    rows = np.flatnonzero(member)
    if not len(rows):
        return None
    if len(rows) > MOST_FACES:
        rows = rows[np.linspace(0, len(rows) - 1, MOST_FACES).round().astype(int)]
    at = table.faces_at_rows(theta, rows)
    frames = table.face_frame[rows]
    uncoupled = table.flash[frames] | ~np.isfinite(table.settings_ev[frames])
    floor_ev = np.where(uncoupled, s.light.uncoupled_ev_sd, np.hypot(state_sd[1], s.light.frame_ev_sd))
    covariance = at.by_log_camera @ table.face_log_covariance[rows] @ np.swapaxes(at.by_log_camera, -1, -2)
    covariance = covariance + np.diag([state_sd[0] ** 2, state_sd[0] ** 2, 0.0])
    covariance[:, 2, 2] += floor_ev**2
    by_theta = np.median(at.by_theta, axis=0)
    frames_of_group = np.flatnonzero(group == g)
    pinned = bool(table.fixed[frames_of_group].any())
    as_shot = np.median(table.as_shot[frames_of_group], axis=0)
    d_theta = as_shot - np.median(theta[frames_of_group], axis=0)
    return Constellation(
        rows=rows,
        frame=frames,
        y=at.z,
        covariance=covariance,
        prior_mean=d_theta,
        prior_sd=np.array([s.light.as_shot_mired_sd, s.light.as_shot_tint_sd, s.light.level_sd]),
        by_theta=by_theta,
        pinned=pinned,
    )


def log_joint(c: Constellation, d: FloatArray, roster: Roster, people: Population) -> FloatArray:
    """(C, n, P + 1) for shifts d (C, 3)."""
    log_density = log_colour(c.y + d[:, None, :], c.covariance, roster.z, roster.covariance, people)
    return np.asarray(log_density + roster.log_prior[c.rows] + np.log(roster.share))


def who(c: Constellation, d: FloatArray, roster: Roster, people: Population) -> FloatArray:
    """Probabilities (n, P + 1) at one shift; a frame shows nobody twice."""
    return responsibilities(log_joint(c, d[None], roster, people)[0], c.frame)


def score(c: Constellation, d: FloatArray, roster: Roster, people: Population) -> FloatArray:
    light = -0.5 * (TAILS + 1.0) * np.log1p(away(c, d) ** 2 / TAILS).sum(axis=1)
    if c.pinned:
        light = np.zeros(len(d))
    joint = log_joint(c, d, roster, people)
    total = log_sum(joint)
    seen = np.exp(joint[..., :-1][..., roster.referenced] - total[..., None]).sum(axis=(1, 2))
    return np.asarray(total.sum(axis=1) + light - ABSENT_COST * np.exp(-seen))


def away(c: Constellation, d: FloatArray) -> FloatArray:
    """Shifts (C, 3) as standard deviations of the light prior in (mired, tint, EV)."""
    return np.asarray((np.linalg.solve(c.by_theta, d.T).T - c.prior_mean) / c.prior_sd)
