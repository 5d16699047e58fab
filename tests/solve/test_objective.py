"""With responsibilities and variance components held, a pass lowers the objective of docs/solver.md."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchmarks.skin.cameras import cameras
from benchmarks.skin.spectra import model_spectra
from benchmarks.solve.request import request_of
from benchmarks.solve.shoot import shoot_of
from benchmarks.solve.skins import like
from benchmarks.solve.world import WORLDS
from xmpsync.solve import fit, solve
from xmpsync.solve.settings import DEFAULT

V = DEFAULT.variances
CURVATURE = 3e-4
"""Part of the objective by which the camera model's curvature, and the weak priors left out here, may raise it."""


def objective(x: fit.Fit) -> float:
    """J of a state at its eliminated T and u: Student's t of faces, moments and cells (constants left out), levels."""
    w, c, q = x.within, x.components, x.question
    off = w.off(x.t)
    u = w.by_moment(w.w * off) / w.h
    far = ((off - u[:, w.moment]) ** 2 / (w.variance + c.state**2)).sum(axis=0)
    total = 0.5 * (V.tail + 2.0) * (w.r * np.log1p(far / V.tail)).sum()
    moved = (u**2).sum(axis=0) / c.frame[w.light] ** 2
    total += 0.5 * (V.frame_tail + 2.0) * np.log1p(moved / V.frame_tail).sum()
    real = x.cell.person >= 0
    looks = x.t - x.persons_z[np.maximum(x.cell.person, 0), :2]
    m = (looks**2 / c.person_lights**2).sum(axis=-1)
    total += 0.5 * (V.tail + 2.0) * np.log1p(m[real] / V.tail).sum()
    rest = x.levels.ev[q.frame[q.face]] - (x.levels.person[q.person] - q.y[q.face])
    total += 0.5 * (V.tail + 1.0) * (q.r * np.log1p(rest**2 / (x.levels.pose**2 * V.tail))).sum()
    return float(total)


def test_passes_from_wrong_whites_lower_the_objective_until_it_stands(monkeypatch):
    rng = np.random.default_rng(1)
    shoot = shoot_of(WORLDS["usual"], 1, like(cameras(None)[0], 6, rng), model_spectra(6, rng))
    seen = []
    once = fit._moved
    monkeypatch.setattr(fit, "_moved", lambda *a: seen.append(a) or once(*a))
    solve(request_of(shoot, 1))
    g, r, theta, persons, components, level, state, s = seen[-1]
    theta = theta + rng.normal(0.0, (8.0, 3.0), theta.shape)
    found = []
    for _ in range(8):
        state = replace(once(g, r, theta, persons, components, level, state, s), passes=s.passes)
        theta, level = state.theta + state.table.d_theta, state.levels
        persons = state.persons_z.copy()
        persons[:, :2] += state.table.d_persons
        persons[:, 2] = state.levels.person
        found.append(objective(state))
    assert found[-1] < 0.9 * found[0]
    assert (np.diff(found) < CURVATURE * abs(found[0])).all()
