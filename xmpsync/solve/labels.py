"""Whole cells under other names: does a light explain itself as well with its people exchanged?

The faces of one person in one light confirm one another, whoever that person is. So before a cell counts as known,
every assignment of the light's cells to persons is a hypothesis, scored by the same residuals as the table of persons
and lights:

    -2 ln p = integral over the light's white and level of sum |T_c - J d - S_p|^2 / v + prior of the light
              + sum ln v - 2 sum (names and identity of the cell's faces),

with heavy tails (`_tails`), and what a cell is called is a marginal of these hypotheses. Where they are many, one cell
is tried at a time, alone or exchanged with another of its light.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.fit import Fit
from xmpsync.solve.given import Lights
from xmpsync.solve.roster import Roster
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.tables import BoolArray, IntArray, Table, medians

MOST = 3000
"""Assignments of one light that are tried in full."""
TOLD_LIMIT = 12.0
"""ln odds at which names and identity of a cell are as sure as they get."""
TAIL_STEPS = 3
OPEN = 8.0
"""ln odds by which a name may be less likely, by names and identity, and still be tried (1 in 3000)."""
SILENT = 3.0
"""ln odds under which names and identity of a cell say so little that its colour may rename it."""


@dataclass(frozen=True, slots=True, eq=False)
class Labels:
    """Probability (G, K, P + 1) of every name for every cell, last `someone else`; the best assignment (G, K)."""

    probability: FloatArray
    best: IntArray


def labels(
    table: Table, lights: Lights, roster: Roster, x: Fit, told: FloatArray, people: FloatArray, s: SolveSettings
) -> Labels:
    """What every cell may be called; `told` (N, P + 1): ln evidence of each face's names and identity."""
    n_lights, width = x.cell.person.shape
    n_p = roster.n
    probability = np.zeros((n_lights, width, n_p + 1))
    best = x.cell.person.copy()
    evidence, size = _told(table, lights, x, told, n_lights, width, n_p)
    level, level_variance = _cell_levels(x, lights, n_lights, width)
    priors = s.priors
    targets = np.vstack([x.persons_z, people])
    m2 = x.components.person_light**2
    spread = np.column_stack(
        [
            np.append(0.5 * np.einsum("pii->p", x.table.persons_covariance) + m2, priors.person_z**2),
            np.append(x.levels.person_variance + 0.05**2, priors.person_ev**2),
        ]
    )
    free = np.append(~roster.referenced, False)
    pinned = np.zeros(n_lights, dtype=bool)
    pinned[lights.of_frame[table.fixed]] = True
    look = _look(table, lights, x, pinned)
    for g in range(n_lights):
        shown = np.flatnonzero((x.cell.person[g] >= 0) & (size[g] > 0.3))
        if not len(shown):
            continue
        cell = _Light(
            z=x.t[g, shown],
            z_variance=x.t_variance[g, shown].mean(axis=1),
            level=level[g, shown],
            level_variance=level_variance[g, shown],
            told=evidence[g, shown],
            jacobian=x.jacobian[g, shown].mean(axis=0),
            theta=x.theta[g],
            light=np.array([1e-2, 1e-2]) if pinned[g] else np.array([priors.light_mired, priors.light_tint]) / 3.0,
            expected=x.theta[g] if pinned[g] else look[g],
            light_ev=1e-2 if pinned[g] else priors.light_ev,
            light_level=x.levels.light[g],
        )
        current = x.cell.person[g, shown]
        trials = _assignments(cell, current, n_p)
        at, wide = _left_out(cell, current, x.table.information[g, shown], targets, spread, priors.person_z, m2, free)
        cost = _costs(cell, trials, at, wide, s.variances.tail)
        weight = np.exp(-0.5 * (cost - cost.min()))
        weight /= weight.sum()
        for k, slot in enumerate(shown):
            probability[g, slot] = np.bincount(trials[:, k], weights=weight, minlength=n_p + 1)
        new = trials[cost.argmin()]
        each = np.arange(len(shown))
        if (cell.told[each, current] - cell.told[each, new] < SILENT).all():
            best[g, shown] = new
    return Labels(probability, best)


@dataclass(frozen=True, slots=True, eq=False)
class _Light:
    """The K cells of one light, and what is expected of its white and level."""

    z: FloatArray
    z_variance: FloatArray
    level: FloatArray
    level_variance: FloatArray
    told: FloatArray
    jacobian: FloatArray
    theta: FloatArray
    light: FloatArray
    expected: FloatArray
    light_ev: float
    light_level: float


def _assignments(cell: _Light, current: IntArray, n_p: int) -> IntArray:
    """Assignments (A, K) of persons 0..P-1, or P for someone else; no person twice."""
    k = len(current)
    # A cell that names or identity settle keeps what they say.
    options = []
    for c in range(k):
        odds = cell.told[c] - cell.told[c].max()
        options.append(np.union1d(np.flatnonzero(odds > -OPEN), current[c : c + 1]))
    n = float(np.prod([len(o) for o in options]))
    if n <= MOST:
        trials = np.array(list(product(*options)), dtype=np.intp).reshape(-1, k)
    else:
        rows = [current]
        for c in range(k):
            for p in options[c]:
                row = current.copy()
                other = np.flatnonzero((current == p) & (p < n_p))
                row[other] = current[c]
                row[c] = p
                rows.append(row)
        trials = np.unique(np.array(rows), axis=0)
    ordered = np.sort(np.where(trials < n_p, trials, -1 - np.arange(k)), axis=1)
    return trials[(np.diff(ordered, axis=1) != 0).all(axis=1)] if k > 1 else trials


def _costs(cell: _Light, trials: IntArray, targets: FloatArray, spread: FloatArray, nu: float) -> FloatArray:
    """-2 ln p (A,) of assignments, integrated over the light's white and level."""
    slot = np.arange(len(cell.z))
    v = cell.z_variance + spread[slot, trials, 0]
    d = cell.z - targets[slot, trials, :2]
    lam = cell.light**-2.0
    offset = cell.expected - cell.theta
    jtj = cell.jacobian.T @ cell.jacobian
    weight = np.ones_like(v)
    for _ in range(TAIL_STEPS):
        normal = np.einsum("ak,ij->aij", weight / v, jtj) + np.diag(lam)
        right = lam * offset - np.einsum("ji,akj->ai", cell.jacobian, d * (weight / v)[..., None])
        step = np.linalg.solve(normal, right[..., None])[..., 0]
        rest = d + np.einsum("ij,aj->ai", cell.jacobian, step)[:, None, :]
        far = (rest**2).sum(axis=-1) / v
        weight = (nu + 2.0) / (nu + far)
    cost = _tails(far, nu) + (lam * (step - offset) ** 2).sum(axis=1) + 2.0 * np.log(v).sum(axis=1)

    cost += np.linalg.slogdet(normal)[1]

    w = cell.level_variance + spread[slot, trials, 1]
    e = cell.level + cell.light_level - targets[slot, trials, 2]
    precision = (1.0 / w).sum(axis=1) + cell.light_ev**-2
    mean = (e / w).sum(axis=1) / precision
    cost += (
        ((nu + 1.0) * np.log1p((e - mean[:, None]) ** 2 / (nu * w))).sum(axis=1)
        + mean**2 / cell.light_ev**2
        + np.log(w).sum(axis=1)
    )
    cost += np.log(precision)
    told = np.take_along_axis(np.broadcast_to(cell.told, (len(trials), *cell.told.shape)), trials[..., None], axis=2)
    return np.asarray(cost - 2.0 * told[..., 0].sum(axis=1))


def _tails(far: FloatArray, nu: float) -> FloatArray:
    """-2 ln p (A,), up to a constant for K, of squared distances (A, K) of two axes each, in variances.

    Cells are off one by one, or all of a light more than usual, as in that of a coloured lamp: Student's t of each
    cell, or of the light's cells together, as likely beforehand.
    """
    k = far.shape[1]
    each = (nu + 2.0) * np.log1p(far / nu).sum(axis=1)
    together = (nu + 2.0 * k) * np.log1p(far.sum(axis=1) / nu) - 2.0 * np.log1p(2.0 * np.arange(k) / nu).sum()
    return np.asarray(-2.0 * np.logaddexp(-0.5 * each, -0.5 * together))


def _left_out(
    cell: _Light, current: IntArray, information: FloatArray, targets: FloatArray, spread: FloatArray, widest: float,
    m2: float, free: FloatArray,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Own colours (K, P + 1, 3) and variances (K, P + 1, 2) as each cell meets them: its own part in them taken out."""
    k = len(current)
    at, wide = np.tile(targets, (k, 1, 1)), np.tile(spread, (k, 1, 1))
    for c, p in enumerate(current):
        if not free[p]:
            continue
        precision = 1.0 / max(spread[p, 0] - m2, 1e-6)
        rest = max(precision - information[c], widest**-2)
        part = precision - rest
        at[c, p, :2] = (precision * targets[p, :2] - part * cell.z[c]) / rest
        wide[c, p, 0] = 1.0 / rest + m2
    return at, wide


def _told(
    table: Table, lights: Lights, x: Fit, told: FloatArray, n_lights: int, width: int, n_p: int
) -> tuple[FloatArray, FloatArray]:
    """Evidence (G, K, P + 1) of names and identity of each cell's faces, limited; faces of a burst count as one."""
    cell = x.cell
    frame = table.face_frame[cell.face]
    light = lights.of_frame[frame]
    key = cell.moment * width + cell.place
    share = np.bincount(key, weights=cell.r, minlength=(int(cell.moment.max(initial=0)) + 1) * width)[key]
    relative = told[cell.face] - told[cell.face].max(axis=1, keepdims=True)
    out = np.zeros((n_lights * width, n_p + 1))
    flat = light * width + cell.place
    weight = cell.r**2 / np.maximum(share, 1e-9)
    for p in range(n_p + 1):
        out[:, p] = np.bincount(
            flat, weights=weight * np.maximum(relative[:, p], -TOLD_LIMIT), minlength=n_lights * width
        )
    size = np.asarray(np.bincount(flat, weights=cell.r, minlength=n_lights * width), dtype=np.float64)
    return out.reshape(n_lights, width, n_p + 1), size.reshape(n_lights, width)


def _cell_levels(x: Fit, lights: Lights, n_lights: int, width: int) -> tuple[FloatArray, FloatArray]:
    """Level (G, K) of each cell with the light's own level taken off, and its variance.

    Where the settings do not predict the level, only faces that share a frame tell it, through what EV that frame has.
    """
    q, cell = x.question, x.cell
    frame = q.frame[q.face]
    light = lights.of_frame[frame]
    flat = light * width + cell.place
    ev = np.where(q.coupled[frame], -q.settings[frame], x.levels.ev[frame] - x.levels.light[light])
    total = np.bincount(flat, weights=q.r, minlength=n_lights * width)
    mean = np.bincount(flat, weights=q.r * (q.y[q.face] + ev), minlength=n_lights * width) / np.maximum(total, 1e-9)
    spread = x.levels.pose**2 + x.levels.light_sd**2
    coupled = np.bincount(light, weights=q.coupled[frame], minlength=n_lights) > 0
    variance = np.where(coupled, spread, 1e4)[:, None] / np.maximum(total.reshape(n_lights, width), 0.3)
    return mean.reshape(n_lights, width), variance


def _look(table: Table, lights: Lights, x: Fit, pinned: FloatArray) -> FloatArray:
    """Whites (G, 2) expected from as-shot and what the shoot's look adds to it."""
    found = medians(table.as_shot[:, :2], lights.of_frame, table.as_shot_known, lights.n)
    as_shot = np.where(np.isfinite(found), found, x.theta)
    return as_shot + np.median(x.theta - as_shot, axis=0)


def relabelled(table: Table, lights: Lights, x: Fit, found: Labels) -> FloatArray:
    """Responsibilities (N, P + 1) with every cell under its best name."""
    out = x.r.copy()
    light = lights.of_frame[table.face_frame]
    changed = (x.cell.person >= 0) & (found.best != x.cell.person)
    for g in np.flatnonzero(changed.any(axis=1)):
        rows = np.flatnonzero(light == g)
        old, new = x.cell.person[g, changed[g]], found.best[g, changed[g]]
        kept = x.r[np.ix_(rows, old)]
        out[np.ix_(rows, old)] = 0.0
        for k, p in enumerate(new):
            out[rows, p] += kept[:, k]
        out[rows] /= out[rows].sum(axis=1, keepdims=True)
    return out


def probabilities(table: Table, lights: Lights, x: Fit, found: Labels) -> FloatArray:
    """Probability (N, P + 1) of each person for each face: of its cell, times that of the cell's name."""
    out = np.zeros_like(x.r)
    out[:, -1] = 1.0 - np.bincount(x.cell.face, weights=x.cell.r, minlength=table.n_faces)
    light = lights.of_frame[table.face_frame[x.cell.face]]
    names = found.probability[light, x.cell.place].copy()
    untried = names.sum(axis=1) < 0.5
    names[np.flatnonzero(untried), x.cell.person[light, x.cell.place][untried]] = 1.0
    np.add.at(out, x.cell.face, x.cell.r[:, None] * names)
    return np.maximum(out, 0.0)


def surely(probability: FloatArray, told: BoolArray, s: SolveSettings) -> BoolArray:
    """Faces (N,) that count as known: so many of the surest that of them all one in 200 is expected to be wrong.

    `probability` (N,) of each face's likeliest person; `told` (N,) by hand, which make the others no surer. This is the
    Bayesian control of the false discovery rate (Newton et al., Biostatistics 5, 2004, 155-176).
    """
    known = np.asarray(probability >= s.known)
    open_ones = np.flatnonzero(known & ~told)
    ordered = open_ones[np.argsort(-probability[open_ones], kind="stable")]
    expected = np.cumsum(1.0 - probability[ordered]) / np.arange(1, len(ordered) + 1)
    known[ordered[expected > s.known_wrong]] = False
    return known
