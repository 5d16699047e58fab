"""The light of each group as a curve in time: points (knots), interpolation, priors and estimated widths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.settings import LightSettings
from xmpsync.solve.tables import BoolArray, IntArray, Table, members


@dataclass(frozen=True, slots=True, eq=False)
class Lights:
    """K points of all groups, consecutive within a group.

    `interpolation` (F, K): the curve at a frame is its row times the points. `offset` (F, 3): what a frame's exposure
    settings add, (0, 0, -settings_ev), zero where level is not coupled (`coupled` (F,)). `prior_mean` and
    `prior_precision` (K, 3): from as-shot white and level. `drift_precision` (K, 3): between point k and k + 1 (0
    at the end of a group).
    """

    group: IntArray
    n_groups: int
    interpolation: sp.csr_array
    offset: FloatArray
    coupled: BoolArray
    prior_mean: FloatArray
    prior_precision: FloatArray
    drift_precision: FloatArray
    start: FloatArray

    @property
    def n(self) -> int:
        return len(self.prior_mean)

    @property
    def group_of_point(self) -> IntArray:
        """Group (K,) of each point."""
        ends = np.flatnonzero(self.drift_precision[:, 0] == 0.0) + 1
        return np.repeat(np.arange(len(ends)), np.diff(ends, prepend=0))

    def at_frames(self, points: FloatArray) -> FloatArray:
        """What the group's curve says for each frame (F, 3), exposure settings included."""
        return np.asarray(self.interpolation @ points + self.offset)


def lights(table: Table, group: IntArray, theta: FloatArray, s: LightSettings) -> Lights:
    """The curves of all groups, starting from frames at theta (F, 3)."""
    n_groups = int(group.max(initial=-1)) + 1
    rows: list[IntArray] = []
    columns: list[IntArray] = []
    values: list[FloatArray] = []
    means, precisions, drifts, starts = [], [], [], []
    offset = np.zeros((table.n_frames, 3))
    coupled = ~table.flash & np.isfinite(table.settings_ev)
    with_face = np.zeros(table.n_frames, dtype=bool)
    with_face[table.face_frame] = True
    first = 0
    for frames in members(group, n_groups):
        if not coupled[frames].all():
            coupled[frames] = False
        else:
            offset[frames, 2] = -table.settings_ev[frames]
        time = table.time_s[frames]
        duration = float(time.max() - time.min())
        count = min(int(duration // s.knot_s), int(with_face[frames].sum()) // s.knot_frames) + 1
        at = (time - time.min()) / max(duration, 1e-9) * (count - 1)
        left = np.clip(np.floor(at).astype(np.intp), 0, max(count - 2, 0))
        weight = at - left
        rows += [frames, frames]
        columns += [first + left, first + np.minimum(left + 1, count - 1)]
        values += [1.0 - weight, weight]
        as_shot = np.median(table.as_shot[frames], axis=0)
        level = -float(np.median(offset[frames, 2]))
        means.append(np.tile([as_shot[0], as_shot[1], level], (count, 1)))
        sd = s.joint_prior_widening * np.array([s.as_shot_mired_sd, s.as_shot_tint_sd, s.level_sd])
        precisions.append(np.tile(1.0 / sd**2 / count, (count, 1)))
        spacing = max(duration / max(count - 1, 1) / s.knot_s, 1.0)
        drift = np.array([s.drift_mired_sd, s.drift_tint_sd, s.drift_ev_sd])
        between = np.tile(1.0 / (drift**2 * spacing), (count, 1))
        between[-1] = 0.0
        drifts.append(between)
        starts.append(np.tile(np.median(theta[frames] - offset[frames], axis=0), (count, 1)))
        first += count
    interpolation = sp.csr_array(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=(table.n_frames, first)
    )
    return Lights(
        group=group,
        n_groups=n_groups,
        interpolation=interpolation,
        offset=offset,
        coupled=coupled,
        prior_mean=np.concatenate(means),
        prior_precision=np.concatenate(precisions),
        drift_precision=np.concatenate(drifts),
        start=np.concatenate(starts),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Widths:
    """Estimated: `frame` (G, 3), standard deviations in mired, tint, EV of a frame around its group's curve; `state`
    (3, 3), covariance of one face around its person in z."""

    frame: FloatArray
    state: FloatArray

    @property
    def state_sd(self) -> tuple[float, float]:
        """Standard deviation of the skin state in z (mean of both axes) and EV."""
        return float(np.sqrt(0.5 * (self.state[0, 0] + self.state[1, 1]))), float(np.sqrt(self.state[2, 2]))


def starting_widths(light: Lights, s: LightSettings, state_z: float, state_ev: float) -> Widths:
    """Widths before anything is known; level uncoupled where flash fired or settings are missing."""
    frame = np.tile([s.frame_mired_sd, s.frame_tint_sd, s.frame_ev_sd], (light.n_groups, 1))
    frame[~group_coupled(light), 2] = s.uncoupled_ev_sd
    return Widths(frame, np.diag([state_z**2, state_z**2, state_ev**2]))


def group_coupled(light: Lights) -> BoolArray:
    """Groups (G,) whose level follows the exposure settings."""
    out = np.zeros(light.n_groups, dtype=bool)
    out[light.group] = light.coupled
    return out
