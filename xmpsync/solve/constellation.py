"""The faces of each light group as a point set, all groups side by side.

Inside one group all colours are displaced by one and the same vector (a change of white is a shift in the coordinate z,
a change of level too), so that the whole group has three unknowns, its shift d.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray, apply, inverse
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.tables import BoolArray, IntArray, Table

MOST_FACES = 48
"""Faces of one group that are looked at; more add nothing to a shift of three numbers."""


@dataclass(frozen=True, slots=True, eq=False)
class Constellations:
    """M faces of G groups at a common white per group, sorted by group, then by frame.

    Per face: `rows` of the table, `of` (M,) its group, `frame`, y (M, 3), covariance (M, 3, 3). Per group: `start`
    (G + 1,) first face; `group`, its number in the shoot; prior of the shift in (mired, tint, EV), mean and sd (G, 3);
    mean dtheta/dz (G, 3, 3); `pinned`, groups with a fixed frame, which stay; `time_s`, their middle.
    """

    rows: IntArray
    of: IntArray
    frame: IntArray
    y: FloatArray
    covariance: FloatArray
    start: IntArray
    group: IntArray
    prior_mean: FloatArray
    prior_sd: FloatArray
    theta_by_z: FloatArray
    pinned: BoolArray
    time_s: FloatArray

    @property
    def n(self) -> int:
        """Number of groups G."""
        return len(self.group)

    @property
    def size(self) -> IntArray:
        """Faces of each group (G,)."""
        return np.diff(self.start)


def constellations(
    table: Table, group: IntArray, theta: FloatArray, state_sd: tuple[float, float], s: SolveSettings
) -> Constellations:
    """The point sets of all groups that show a face, frames at theta (F, 3); faces scatter by `state_sd` (z, EV)."""
    by_group = [np.flatnonzero(group[table.face_frame] == g) for g in range(int(group.max(initial=-1)) + 1)]
    shown = [g for g, rows in enumerate(by_group) if len(rows)]
    parts = [_some(by_group[g]) for g in shown]
    rows = np.concatenate([*parts, np.zeros(0, dtype=np.intp)])
    start = np.cumsum([0, *(len(part) for part in parts)])
    at = table.faces_at_rows(theta, rows)
    frames = table.face_frame[rows]
    uncoupled = table.flash[frames] | ~np.isfinite(table.settings_ev[frames])
    floor_ev = np.where(uncoupled, s.light.uncoupled_ev_sd, np.hypot(state_sd[1], s.light.frame_ev_sd))
    covariance = at.by_log_camera @ table.face_log_covariance[rows] @ np.swapaxes(at.by_log_camera, -1, -2)
    covariance = covariance + np.diag([state_sd[0] ** 2, state_sd[0] ** 2, 0.0])
    covariance[:, 2, 2] += floor_ev**2
    z_by_theta, mean, pinned, time_s = [], [], [], []
    for g, first, last in zip(shown, start[:-1], start[1:], strict=True):
        members = np.flatnonzero(group == g)
        z_by_theta.append(np.median(at.by_theta[first:last], axis=0))
        mean.append(np.median(table.as_shot[members], axis=0) - np.median(theta[members], axis=0))
        pinned.append(bool(table.fixed[members].any()))
        time_s.append(float(np.median(table.time_s[frames[first:last]])))
    sd = np.array([s.light.as_shot_mired_sd, s.light.as_shot_tint_sd, s.light.level_sd])
    return Constellations(
        rows=rows,
        of=np.repeat(np.arange(len(shown)), np.diff(start)),
        frame=frames,
        y=at.z,
        covariance=covariance,
        start=start,
        group=np.array(shown, dtype=np.intp),
        prior_mean=np.array(mean).reshape(-1, 3),
        prior_sd=np.tile(sd, (len(shown), 1)),
        theta_by_z=inverse(np.array(z_by_theta).reshape(-1, 3, 3)),
        pinned=np.array(pinned, dtype=bool),
        time_s=np.array(time_s),
    )


def as_shot_shift(c: Constellations) -> FloatArray:
    """(G, 3): the shift at which each group is at its as-shot white."""
    return apply(inverse(c.theta_by_z), c.prior_mean)


def _some(rows: IntArray) -> IntArray:
    if len(rows) <= MOST_FACES:
        return rows
    evenly: IntArray = np.linspace(0, len(rows) - 1, MOST_FACES).round().astype(np.intp)
    return np.asarray(rows[evenly])
