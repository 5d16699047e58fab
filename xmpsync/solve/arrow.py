"""The normal equations of one pass of the joint solve, and their solution by the shape they have: an arrow.

With the weights fixed (`joint`), the problem is least squares in theta_f (3 per frame), the lights' points mu_k (3
each) and the persons' colours S_p (3 each), linear around the current answer:

    [ H_f + Lambda    -Lambda B       C     ] [ d theta ]   [ g_theta ]        H_f = sum_i J_i^T W_i^T W_i J_i
    [ -B^T Lambda     B^T Lambda B+D  0     ] [ d mu    ] = [ g_mu    ]        C   = -sum_i r_ip J_i^T W_i^T W_i
    [ C^T             0               H_p   ] [ d S     ]   [ g_S     ]        D   = prior and drift of the lights

Frames couple to their light and to persons only, never to one another, so U_f = (H_f + Lambda_f)^-1 is 3 x 3 and frames
are eliminated one by one. What they leave on the lights of a group is a band (a frame lies between two points:
tridiagonal in 3 x 3 blocks), solved as one banded system; what is left is dense in the few persons. Fixed frames do
not move: their U is zero. Read backwards, the same elimination gives the inverse of the whole matrix, of which only the
3 x 3 blocks on the diagonal are made.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.linalg import solveh_banded

from xmpsync.colour.arrays import FloatArray, apply, by_component, inverse, product, transposed
from xmpsync.solve.coordinate import Coordinates
from xmpsync.solve.lights import Lights, Widths
from xmpsync.solve.persons import Population, Roster
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.tables import Table, members


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """The current answer."""

    theta: FloatArray
    points: FloatArray
    roster: Roster
    widths: Widths
    r: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Normal:
    """Weighted normal equations, frames eliminated later. U = inverse of the frame block (0 where fixed).

    `precision` (N, 3, 3) of each face and its robust `weight` (N, P) for each person, by which the rest is made.
    `h_frame`, `g_frame`: what the faces alone say of each frame. `trust` (F,): weight of each frame's coupling.
    """

    precision: FloatArray
    weight: FloatArray
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


def normal_equations(
    table: Table,
    light: Lights,
    state: State,
    at: Coordinates,
    face_covariance: FloatArray,
    people: Population,
    s: SolveSettings,
) -> Normal:
    n_frames, n_persons = table.n_frames, state.roster.n
    precision = inverse(face_covariance)
    wide = inverse(face_covariance + people.covariance)
    off = displacements(at, state.roster)
    whitened = np.einsum("nij,npj->npi", precision, off)
    squared = np.einsum("npi,npi->np", whitened, off)
    weight = by_component(state.r[:, :-1], 1) / np.sqrt(1.0 + squared / s.loss_cutoff**2)
    weight[state.roster.reference_of >= 0] = 0.0  # they are the prior of their person
    stranger = state.r[:, -1]

    own = weight.sum(axis=1)
    information = own[:, None, None] * precision + stranger[:, None, None] * wide
    pull = np.einsum("np,npi->ni", weight, whitened) + stranger[:, None] * apply(wide, at.z - people.mean)
    by_frame = table.frames_from_faces
    transpose = transposed(at.by_theta)
    h_frame = _summed(by_frame, product(product(transpose, information), at.by_theta))
    g_frame = _summed(by_frame, -apply(transpose, pull))

    sd = state.widths.frame[light.group]
    behind = state.theta - light.at_frames(state.points)
    squared_c = ((behind / sd) ** 2).sum(axis=1)
    trust = 1.0 / (1.0 + squared_c / s.light.coupling_cutoff**2)
    trust[table.face_frame[state.roster.reference_of >= 0]] = 1.0  # a reference cannot have left its light
    coupling = trust[:, None] / sd**2
    free = ~table.fixed
    block = h_frame + coupling[:, :, None] * np.eye(3)
    u = np.ascontiguousarray(np.where(free[:, None, None], inverse(block), 0.0))
    g_theta = g_frame - coupling * behind

    points = state.points
    g_points = light.interpolation.T @ (coupling * behind) + light.prior_precision * (light.prior_mean - points)
    slope = light.drift_precision[:-1] * (points[1:] - points[:-1])
    g_points[:-1] += slope
    g_points[1:] -= slope

    # d2/dtheta dS = -sum w J^T L, for all persons side by side: (F, 3, P, 3)
    jl = np.ascontiguousarray(product(transpose, precision))
    cross = _summed(by_frame, -(np.ascontiguousarray(weight)[:, None, :, None] * jl[:, :, None, :]))
    roster = state.roster
    prior, right = _persons_prior(roster, face_covariance, people)
    h_persons = prior.copy()
    for p, own in enumerate((weight.T @ np.ascontiguousarray(precision).reshape(-1, 9)).reshape(n_persons, 3, 3)):
        h_persons[3 * p : 3 * p + 3, 3 * p : 3 * p + 3] += own
    g_persons = np.einsum("np,npi->pi", weight, whitened).reshape(-1) + right - prior @ roster.z.reshape(-1)
    cross = cross.reshape(n_frames, 3, 3 * n_persons)
    return Normal(
        precision=precision,
        weight=weight,
        u=u,
        g_theta=g_theta,
        coupling=coupling,
        trust=trust,
        h_frame=h_frame,
        g_frame=g_frame,
        g_points=g_points,
        cross=cross,
        h_persons=h_persons,
        g_persons=g_persons,
    )


def _persons_prior(roster: Roster, face_covariance: FloatArray, people: Population) -> tuple[FloatArray, FloatArray]:
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


def displacements(at: Coordinates, roster: Roster) -> FloatArray:
    """(N, P, 3): faces from persons, laid out by component."""
    return np.moveaxis(by_component(at.z, 1).T[:, None, :] - roster.z.T[:, :, None], (0, 1), (2, 1))


def _summed(frames_from_faces: sp.csr_array, values: FloatArray) -> FloatArray:
    """Sums (F, ...) over the faces of each frame of values (N, ...)."""
    shape = values.shape[1:]
    flat = np.ascontiguousarray(values).reshape(len(values), int(np.prod(shape)))
    return np.asarray(frames_from_faces @ flat).reshape(frames_from_faces.shape[0], *shape)


class Arrow:
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
        # A frame lies on one point of its curve or between two.
        left, right = b.indices[b.indptr[:-1]], b.indices[b.indptr[1:] - 1]
        of_left = b.data[b.indptr[:-1]][:, None, None]
        of_right = np.where(right > left, b.data[b.indptr[1:] - 1], 0.0)[:, None, None]
        out = np.zeros((len(self.n.u), 3, 3))
        ends = np.flatnonzero(self.light.drift_precision[:, 0] == 0.0) + 1
        starts = np.concatenate([[0], ends[:-1]])
        frames_of = members(self.light.group_of_point[left], len(ends))
        for first, last, frames in zip(starts, ends, frames_of, strict=True):
            size = 3 * (last - first)
            dense = solveh_banded(self.band[:, 3 * first : 3 * last], np.eye(size), lower=True)
            blocks = np.swapaxes(dense.reshape(last - first, 3, last - first, 3), 1, 2)
            i, k, w, v = left[frames] - first, right[frames] - first, of_left[frames], of_right[frames]
            both = blocks[i, k] + blocks[k, i]
            out[frames] = w * w * blocks[i, i] + w * v * both + v * v * blocks[k, k]
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
