"""Persons by their skin inside one light: whom identity takes for one, and whom it takes for two.

Nobody need be known for this: two faces of like vectors whose skins differ, in one light, by far more than state,
measurement and the movement of that light are two people. The groups that identity found (`clusters`) are a first
hypothesis; those that evidence favours take its place (`parting`). Without identity all faces are one group.
When it fails: people of one face and one skin, who stay one or share what their faces say.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve import evidence
from xmpsync.solve.fit import Fit
from xmpsync.solve.given import Lights
from xmpsync.solve.matching import matched
from xmpsync.solve.parting import RULED_OUT, Parted, Skins, joined, parted, sample, settled
from xmpsync.solve.roster import Roster, free_labels, inseparable, means
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.tables import BoolArray, IntArray, Table, medians, members

LIGHT_Z, LIGHT_EV, PINNED_Z = 5.0, 2.0, 0.3
"""sd of what a light adds to as-shot renderings (50 mired, a third of the solver's prior of a light), of its level, and
where its white is given."""
DRIFT_Z, DRIFT_EV = 0.2, 0.05
"""sd of what a light changes by in a minute: a sunset takes 60 mired (6 z) and more than one EV in half an hour (common
practice)."""
UNTOLD_EV = 3.0
"""sd of the level of a frame that the camera's settings do not predict (flash)."""
CELL_EV = 0.05
"""sd of the level of one person from light to light: 0.06 to 0.08 EV per z of colour (`levels.STATE_EV`)."""
APART2 = (2.0 * 2.576) ** 2
"""Squared distance of own colours, in sd of one face in one light, from which one face in 200 stands nearer to the
other person (0.995 quantile of a normal, tables)."""
SURELY = 0.5
"""Standard deviations of own colours by which two skins may lie nearer than they seem. Look-alikes of other colour
(bench, five seeds): at 0 ten of 380 known faces are wrong, at 0.5 six of 303, at 1 five of 248."""
OFF_LIGHT2 = 9.0
"""Squared standard deviations from which a frame is off its light."""
ROUNDS = 3
"""Of joining, parting and matching; nothing changes after the second in nearly all shoots."""
MOST_SIGHTINGS = 600
"""Sightings that the search for persons goes by: keeps its cost bounded. All others are told from what it finds."""
SETTLED = 1.0
"""Gain of ln evidence in a round below which it was the last."""


def founded(
    table: Table, lights: Lights, who: Roster, people: FloatArray, s: SolveSettings
) -> tuple[Roster, FloatArray]:
    """The roster with persons parted and joined by skin, and first responsibilities (N, P + 1) of the faces."""
    seen, n = who.seen, who.n
    first = np.full(len(seen.moment), -1, dtype=np.intp)
    first[seen.of_face] = who.first
    hand, name = seen.told(who.by_hand), seen.told(who.by_name)
    first = np.where(hand >= 0, hand, first)
    vectors = np.isfinite(seen.sd)
    asked = first >= 0
    near = who.near.copy()
    if not vectors.any():
        near[:] = True
        asked[:] = True
    rows = np.flatnonzero(asked)
    if not len(rows) or not n:
        return who, _first(who, s)
    told = np.full((len(rows), n), RULED_OUT)
    for i, u in enumerate(rows):
        told[i, near[first[u]] if first[u] >= 0 else slice(None)] = 0.0
    named = np.flatnonzero(name[rows] >= 0)
    told[named] = np.log((1.0 - s.priors.name_trust) / (n + 1.0))
    told[named, name[rows][named]] = np.log(s.priors.name_trust)
    certain = np.flatnonzero(hand[rows] >= 0)
    told[certain] = RULED_OUT
    told[certain, hand[rows][certain]] = 0.0
    bound = np.where(hand >= 0, hand, name)[rows]
    others = told.min(axis=1)
    r = np.zeros((len(rows), n))
    here = np.flatnonzero(first[rows] >= 0)
    r[here, first[rows][here]] = 1.0
    x = _skins(table, lights, who, rows, people, s)
    start = Parted(
        r, told, others, bound, np.arange(n), np.zeros((n, 3)), np.zeros((1, 1, 3)), np.zeros((1, 1, 3)), x.own, -np.inf
    )
    kept_names = int(max(who.referenced.sum(), bound.max(initial=-1) + 1))
    some = _some(len(rows), hand[rows] >= 0)
    vector, sd = seen.vector[rows][some], seen.sd[rows][some]
    part, found = sample(x, start, some)
    found = settled(part, found)
    for _ in range(ROUNDS):
        before = found.score
        found = joined(part, found, r[some], vector, sd, kept_names, who.likeness)
        found = matched(part, parted(part, found, s.priors.smallest_person), kept_names)
        if found.score < before + SETTLED:
            break
    found = joined(part, found, r[some], vector, sd, kept_names, who.likeness)
    if len(some) < len(rows):
        found = _all(x, start, found, some)
    return _renewed(who, found, rows, kept_names, s)


def _some(n: int, surely: BoolArray) -> IntArray:
    """Rows (m,) of n sightings that the search goes by: those given by hand, and of the others every so many."""
    rest = np.flatnonzero(~surely)
    keep = min(len(rest), MOST_SIGHTINGS)
    rest = rest[np.linspace(0, len(rest) - 1, keep).astype(np.intp)] if keep else rest
    return np.sort(np.append(np.flatnonzero(surely), rest))


def _all(x: Skins, start: Parted, found: Parted, some: IntArray) -> Parted:
    """The hypothesis of some sightings, carried over to all of them."""
    n, k = len(x.x), found.r.shape[1]
    told = np.where(start.bound[:, None] >= 0, start.others[:, None], start.told[:, found.family])
    named = np.flatnonzero(start.bound >= 0)
    told[named, start.bound[named]] = start.told[named, start.bound[named]]
    r = np.zeros((n, k))
    r[some] = found.r
    return settled(x, replace(found, r=r, told=told, others=start.others, bound=start.bound))


def apart(x: Fit, referenced: BoolArray) -> BoolArray:
    """(P, P): persons whose skins surely differ so much that hardly a face stands nearer to the wrong one.

    `referenced` (P,): whose own colour is what one moment shows, their state in it included.
    """
    c = x.components
    chroma = c.state**2 + c.person_light**2 + float(np.median(c.frame)) ** 2
    level = x.levels.pose**2 + float(np.median(x.levels.light_sd)) ** 2
    own = 0.5 * np.einsum("pii->p", x.table.persons_covariance) + referenced * c.state**2
    own_level = x.levels.person_variance + referenced * x.levels.pose**2
    d2 = (x.persons_z[:, None] - x.persons_z) ** 2
    far2 = d2[..., :2].sum(axis=-1) / chroma + d2[..., 2] / level
    # How much of that may be an error of the own colours.
    error2 = (own[:, None] + own) / chroma + (own_level[:, None] + own_level) / level
    out: BoolArray = np.sqrt(far2) - SURELY * np.sqrt(error2) > np.sqrt(APART2)
    return out


def doubtful(table: Table, lights: Lights, x: Fit, s: SolveSettings) -> BoolArray:
    """Frames (F,) that may stand in the light before or after theirs: from one whose level or colour is far off its
    light on to the nearer end of it. Skin tells nobody apart there."""
    v = s.variances
    off = x.levels.frame_weight < (v.frame_tail + 1.0) / (v.frame_tail + OFF_LIGHT2)
    off |= x.within.frame_weight[lights.moment] < (v.frame_tail + 2.0) / (v.frame_tail + OFF_LIGHT2)
    out = np.zeros(table.n_frames, dtype=bool)
    for rows in members(lights.of_frame, lights.n):
        rows = rows[np.argsort(table.time_s[rows], kind="stable")]
        for i in np.flatnonzero(off[rows] & ~table.fixed[rows]):
            out[rows[: i + 1] if 2 * i < len(rows) - 1 else rows[i:]] = True
    return out


def _renewed(who: Roster, h: Parted, rows: IntArray, named: int, s: SolveSettings) -> tuple[Roster, FloatArray]:
    seen, n = who.seen, h.r.shape[1]
    weight = np.zeros((len(seen.moment), n))
    weight[rows] = h.r
    best = np.where(weight.max(axis=1) > 0.5, weight.argmax(axis=1), -1)
    near = inseparable(*means(seen.vector, seen.sd, weight))
    near |= h.family[:, None] == h.family
    share = (weight.sum(axis=0) + 1.0) / (weight.sum() + n)
    names = who.names[:named] + tuple(free_labels(list(who.names[:named]), n - named))
    referenced = np.append(who.referenced[:named], np.zeros(n - named, dtype=bool))
    new = replace(who, names=names, referenced=referenced, first=best[seen.of_face], near=near, share=share)
    r = _first(new, s)
    by_skin = np.zeros(len(seen.moment), dtype=bool)
    by_skin[rows] = h.r.sum(axis=1) > 0.5
    full = np.column_stack([weight, np.maximum(1.0 - weight.sum(axis=1), 0.0)])
    faces = by_skin[seen.of_face]
    r[faces] = full[seen.of_face][faces]
    return new, r


def _first(who: Roster, s: SolveSettings) -> FloatArray:
    """First responsibilities (N, P + 1): names and identity alone; a face without either counts for nobody yet."""
    r = evidence.softmax(evidence.told(who, s.priors))
    silent = (who.by_hand < 0) & (who.by_name < 0) & ~np.isfinite(who.seen.sd)[who.seen.of_face]
    r[silent] = np.append(np.zeros(who.n), 1.0)
    return r


def _skins(table: Table, lights: Lights, who: Roster, rows: IntArray, people: FloatArray, s: SolveSettings) -> Skins:
    """Chroma and level of the sightings `rows`, each light at its as-shot white or where its frames are fixed."""
    pinned = np.zeros(lights.n, dtype=bool)
    pinned[lights.of_frame[table.fixed]] = True
    whites = np.where(table.fixed[:, None], table.baseline, table.as_shot)[:, :2]
    use = table.fixed | ~pinned[lights.of_frame]
    theta = np.column_stack([medians(whites, lights.of_frame, use, lights.n), np.zeros(lights.n)])
    at = table.faces_at(theta[lights.of_frame])
    frame = table.face_frame
    coupled = np.isfinite(table.settings_ev) & ~table.flash
    z = at.z.copy()
    z[:, 2] -= np.where(coupled, table.settings_ev, 0.0)[frame]
    b = at.by_log_camera
    variance = ((b @ table.face_log_covariance) * b).sum(axis=-1)
    seen, v = who.seen, s.variances
    light, moment = np.zeros((2, len(seen.moment)), dtype=np.intp)
    told = np.zeros(len(seen.moment), dtype=bool)
    light[seen.of_face], moment[seen.of_face] = lights.of_frame[frame], lights.moment[frame]
    told[seen.of_face] = coupled[frame]
    x, light = seen.mean_of(z)[rows], light[rows]
    numbers, moment = np.unique(moment[rows], return_inverse=True)
    moment = moment.reshape(-1)
    common = np.tile([v.frame_z**2, v.frame_z**2, v.settings_ev**2], (int(moment.max()) + 1, 1))
    common[moment[~told[rows]], 2] = UNTOLD_EV**2
    shift = np.tile([LIGHT_Z, LIGHT_Z, LIGHT_EV], (lights.n, 1))
    shift[pinned, :2] = PINNED_Z
    x[:, 2] -= np.median(x[:, 2])
    return Skins(
        x, seen.mean_of(variance)[rows], light, moment, lights.of_moment[numbers], lights.minutes[numbers], common,
        shift,
        np.array([DRIFT_Z, DRIFT_Z, DRIFT_EV]), np.append(people[:2], 0.0),
        np.array([s.priors.person_z, s.priors.person_z, s.priors.person_ev]),
        np.array([v.state_z, v.state_z, v.pose_ev]) ** 2,
        np.array([v.person_light_z, v.person_light_z, CELL_EV]) ** 2, v.weight,
    )  # fmt: skip
