"""What the passes of the joint solve start from and never change: made once, before the loop (`fit`)."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve import evidence
from xmpsync.solve.reference import PersonTarget
from xmpsync.solve.roster import Roster
from xmpsync.solve.settings import PriorSettings, SolveSettings
from xmpsync.solve.tables import BoolArray, IntArray, Seen, Table, medians
from xmpsync.solve.two_way import LightPrior

NO_WHITE = (190.0, 0.0)
"""mired, tint: where a light is looked for whose frames do not tell their as-shot white (daylight), very weakly."""
VERY_WEAK = 0.1
"""Of the usual precision."""


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
class Given:
    """One solve's fixed part. `people` (3,): usual colour of skin.

    `seen`: the faces at whites of their lights; `log_covariance` (3, 3, N), `light`, `moment` (N,) of the faces; `free`
    (P,) persons without a reference; `told` (P + 1, N): likelihood of names and identity, largest 1.
    `reference_z`: of each target its faces at the settings of their frames (n, 3). `pinned` (G,): lights that hold a
    fixed frame; `defining` (G,): those that hold a reference. `prior`: whites expected without skin; `level_prior`
    (G,): level of each light at which its frames keep exposure 0. `bodies` (B, Q): light of each body in each place or
    -1; None where one body took everything.
    """

    table: Table
    lights: Lights
    roster: Roster
    targets: tuple[PersonTarget, ...]
    people: FloatArray
    seen: Seen
    log_covariance: FloatArray
    light: IntArray
    moment: IntArray
    free: BoolArray
    told: FloatArray
    reference_z: tuple[FloatArray, ...]
    pinned: BoolArray
    defining: BoolArray
    prior: LightPrior
    level_prior: FloatArray
    coupled: BoolArray
    settings_ev: FloatArray
    bodies: IntArray | None


def given(
    table: Table,
    lights: Lights,
    roster: Roster,
    targets: tuple[PersonTarget, ...],
    people: FloatArray,
    told: FloatArray,
    s: SolveSettings,
) -> Given:
    """The fixed part of a solve; `told` (N, P + 1): `evidence.told`."""
    rows = np.array([row for target in targets for row in target.faces], dtype=np.intp)
    at_baseline = np.split(
        table.faces_at_rows(table.baseline, rows).z, np.cumsum([len(t.faces) for t in targets], dtype=np.intp)[:-1]
    )
    pinned, defining = np.zeros((2, lights.n), dtype=bool)
    pinned[lights.of_frame[table.fixed]] = True
    defining[lights.of_frame[table.face_frame[rows]]] = True
    prior, level_prior = _light_priors(table, lights, s.priors)
    coupled = np.isfinite(table.settings_ev) & ~table.flash
    likelihood = np.exp(told - told.max(axis=1, keepdims=True))
    likelihood[evidence.names(roster, s.priors) <= evidence.CERTAIN] = 0.0
    return Given(
        table=table,
        lights=lights,
        roster=roster,
        targets=targets,
        people=people,
        seen=table.seen_by(lights.of_frame),
        log_covariance=np.ascontiguousarray(np.moveaxis(table.face_log_covariance, 0, -1)),
        light=lights.of_frame[table.face_frame],
        moment=lights.moment[table.face_frame],
        free=~roster.referenced,
        told=np.ascontiguousarray(likelihood.T),
        reference_z=tuple(at_baseline) if targets else (),
        pinned=pinned,
        defining=defining,
        prior=prior,
        level_prior=level_prior,
        coupled=coupled,
        settings_ev=np.where(coupled, table.settings_ev, 0.0),
        bodies=_bodies(table, lights),
    )


def lights_of(table: Table, group: IntArray, place: IntArray, moment: IntArray) -> Lights:
    """Records of the lights; `moment` is cut where the light changes, and moments are numbered light by light."""
    pair = np.stack([group, moment], axis=1)
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


def _light_priors(table: Table, lights: Lights, p: PriorSettings) -> tuple[LightPrior, FloatArray]:
    """Whites expected without skin (as-shot, weakly; a held or reference frame), and levels at exposure 0."""
    mean = np.tile(np.array(NO_WHITE), (lights.n, 1))
    precision = np.tile(VERY_WEAK * np.array([p.light_mired, p.light_tint]) ** -2.0, (lights.n, 1))
    for whites, use, sd in (
        (table.as_shot, table.as_shot_known, (p.light_mired, p.light_tint)),
        (table.baseline, table.fixed, (p.held_mired, p.held_tint)),
    ):
        found = medians(whites[:, :2], lights.of_frame, use, lights.n)
        known = np.isfinite(found)
        mean, precision = np.where(known, found, mean), np.where(known, np.array(sd) ** -2.0, precision)
    level = medians(table.settings_ev, lights.of_frame, np.isfinite(table.settings_ev), lights.n)
    return LightPrior(mean, precision), np.nan_to_num(level)


def _bodies(table: Table, lights: Lights) -> IntArray | None:
    n_places = int(lights.place.max(initial=-1)) + 1
    if n_places == lights.n:
        return None
    body = np.zeros(lights.n, dtype=np.intp)
    body[lights.of_frame] = table.body
    out = np.full((int(body.max()) + 1, n_places), -1, dtype=np.intp)
    out[body, lights.place] = np.arange(lights.n)
    return out


def light_prior(g: Given, theta: FloatArray, information: FloatArray, p: PriorSettings) -> LightPrior:
    """The prior with the lights of several bodies tied: one body's light leans on another's in the same place.

    `theta` (G, 2) whites so far, `information` (G,) what skin says of each light, 1 / z^2. It leans on the body that
    shows most skin there, shifted by the two bodies' offset: the median over their other common places; few places
    leave it wide.
    """
    if g.bodies is None:
        return g.prior
    weight = np.where(g.pinned, np.inf, information)
    weight = np.append(np.where(weight < WELL_SEEN, -1.0, weight), -1.0)
    best = weight[g.bodies].argmax(axis=0)
    mean, precision = g.prior.mean.copy(), g.prior.precision.copy()
    for a in range(len(g.bodies)):
        for b in range(len(g.bodies)):
            own, other = g.bodies[a], g.bodies[b]
            lean = np.flatnonzero((best == b) & (own >= 0) & (weight[other] > 0))
            if a == b or not len(lean):
                continue
            both = np.flatnonzero((weight[own] > 0) & (weight[other] > 0))
            apart = theta[own[both]] - theta[other[both]]
            n, offset = _medians_of_others(apart, np.searchsorted(both, lean), np.isin(lean, both))
            offset *= (n / (n + NO_OFFSET_PLACES))[:, None]
            sd = np.array([p.body_mired, p.body_tint]) / np.where(n >= 3, 2.0, 1.0)[:, None]
            mean[own[lean]] = theta[other[lean]] + offset
            precision[own[lean]] = sd**-2.0
    return replace(g.prior, mean=mean, precision=precision)


WELL_SEEN = 1.0
"""1 / z^2: a light known to one unit of colour may stand for the light of its place."""
NO_OFFSET_PLACES = 2.0
"""Places' worth of belief that two bodies agree."""


def _medians_of_others(values: FloatArray, at: IntArray, among: BoolArray) -> tuple[IntArray, FloatArray]:
    """Counts (m,) and medians (m, 2) of values (n, 2) without row `at`, where that row is `among` them."""
    n = len(values) - among
    out = np.zeros((len(at), 2))
    order = np.argsort(values, axis=0, kind="stable")
    rank = np.argsort(order, axis=0)
    ordered = np.sort(values, axis=0)
    for k in (0, 1):
        for i in np.flatnonzero(n > 0):
            own = rank[at[i], k] if among[i] else len(values)
            low, high = (n[i] - 1) // 2, n[i] // 2
            out[i, k] = 0.5 * (ordered[low + (low >= own), k] + ordered[high + (high >= own), k])
    return n, out
