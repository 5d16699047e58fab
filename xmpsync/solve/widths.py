"""How far frames scatter around their light, and one face around its person: read off the shoot in every pass.

Both are variances of something that is seen through noise, so each residual is weighed with what is known of its own
error. The settings hold starting widths and how little they weigh.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from xmpsync.colour.arrays import FloatArray, apply, by_component, inverse, product, transposed
from xmpsync.solve.arrow import Normal, State, displacements
from xmpsync.solve.coordinate import Coordinates
from xmpsync.solve.lights import Lights, Widths, group_coupled
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.tables import Table, summed

STEPS = 17
"""Widths that are tried, evenly spaced in their logarithm."""
SMALLEST_STATE, LARGEST_STATE = 0.2, 4.0
"""Of the usual skin state."""


def estimated(table: Table, light: Lights, state: State, at: Coordinates, n: Normal, s: SolveSettings) -> Widths:
    """The widths that fit the answer so far; `n` are its normal equations."""
    frame = _frame_widths(table, light, state, n, s)
    if not table.n_faces:
        return replace(state.widths, frame=frame)
    return Widths(frame, _state(table, state, at, n, s))


def _state(table: Table, state: State, at: Coordinates, n: Normal, s: SolveSettings) -> FloatArray:
    """Covariance (3, 3) of one face's state around its person, by its posterior moments.

    A residual e = state + measurement; a Gaussian state of covariance C shows as K e with K = C (C + measured)^-1.
    Blush moves skin further than tan does, and along another line, hence a whole covariance.
    """
    usual = np.array([s.persons.state_z_sd] * 2 + [s.persons.state_ev_sd])
    off = displacements(at, state.roster)
    weight = n.weight
    total = weight.sum(axis=1)
    spread = product(product(at.by_theta, by_component(n.u[table.face_frame], 2)), transposed(at.by_theta))
    moment = np.einsum("npi,npj->nij", weight[:, :, None] * off, off) + total[:, None, None] * spread
    now = state.widths.state
    gain = product(by_component(np.broadcast_to(now, n.precision.shape), 2), n.precision)
    rest = total.sum() * now - np.einsum("n,nij->ij", total, gain) @ now
    own = product(product(gain, moment), transposed(gain)).sum(axis=0) + rest
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
    log_grid = np.linspace(np.log(s.light.width_range[0]), np.log(s.light.width_range[1]), STEPS)
    grid = np.exp(log_grid)[:, None] * start
    points = np.bincount(light.group_of_point, minlength=light.n_groups)
    rows = np.zeros(table.n_frames, dtype=bool)
    rows[table.face_frame[state.r[:, :-1].sum(axis=1) > 0.5]] = True
    rows &= ~table.fixed
    counts = np.bincount(light.group[rows], minlength=light.n_groups)
    freedom = 1.0 - points / np.maximum(counts, 1)
    rows &= (freedom > 0.0)[light.group]
    at = np.flatnonzero(rows)
    log_likelihood = np.zeros((light.n_groups, STEPS, 3))
    if len(at):
        v = inverse(n.h_frame[at] + np.diag(1e-6 / start**2))
        d = (state.theta - light.at_frames(state.points))[at] + apply(v, n.g_frame[at])
        var = np.einsum("fii->fi", v)[:, None, :] + grid**2
        f = freedom[light.group[at]][:, None, None]
        each = -0.5 * n.trust[at][:, None, None] * (np.log(var) * f + d[:, None, :] ** 2 / var)
        log_likelihood = summed(light.group[at], each, light.n_groups)
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
