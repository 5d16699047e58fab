"""Matrices from pairs (camera neutral, temperature and tint): a regularised, robust least squares fit.

Problem. An editor turns numbers (T, t) into the neutral n ~ AB . CC . M(T) . w(T, t), with M blended between two
calibrations. From pairs (n_i, T_i, t_i) find the matrices M_k.

Unknowns. M_k = B_k . (A_k + E_k): B_k a matrix of the start, A_k what is expected (the identity, or R of
`xmpsync.colour.expected` where only a daylight matrix is known), E_k = T . A_k + O_k: T common to all calibrations
(the start was made from another body or chart), O_k the calibration's own; nine small numbers each, prior normal.

Residual. The log ratios (ln R/G, ln B/G) of predicted against observed neutral, divided into mired and tint through
their derivative at the start, over the standard deviation of the numbers (rounding and a floor): two per pair.

    minimise  sum_i rho(|r_i|) + e^T C^-1 e        e: the numbers of all E_k together, C with T's part in common

Why this loss. A pair may belong to another setting (a custom white, a stale sidecar), so rho is Cauchy's, by
iterated reweighting whose width shrinks from the spread of the start to that of the numbers: lights under which the
start is far off are not outliers. The prior keeps ten pairs of one light from bending the matrices elsewhere:
directions without data stay at the expectation. Forward matrices leave no trace in neutrals: kept where the
start has them, otherwise expected.

The width of the prior of T is chosen from a few by the evidence of the pairs (Laplace's
approximation of the integral over E; MacKay 1992, Bayesian interpolation). A decoder's table can be as good as
the editor's own matrix, or off by several hundredths a number: a prior for the one spoils the other.

When it fails. The editor's numbers follow another formula than the DNG specification's, or mixed profiles: then less
than most pairs are explained and the caller keeps the base.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.adaptation import xyz_from_xy
from xmpsync.colour.arrays import FloatArray, apply
from xmpsync.colour.blend import Stack, blended, stack, weights
from xmpsync.colour.camera import mired_tint_from_neutral
from xmpsync.colour.camera_profile import Calibration, CameraProfile, ProfileSource
from xmpsync.colour.expected import COOL_K, WARM_K, Expectation, expected_forward, mat3
from xmpsync.colour.temperature import xy_from_mired_tint
from xmpsync.records import Vec3


@dataclass(frozen=True, slots=True)
class ScaleSettings:
    """Thresholds of the fit, each with its unit and reason."""

    sd_floor_mired: float = 0.5
    """Numbers are not trusted further: readers differ by some tenths in their tables of colour temperature."""
    sd_floor_tint: float = 0.5
    prior_inflation: float = 2.0
    """Variance of R over simulated profile makers times this: real makers differ more than two simulated ones."""
    sd_own: float = 0.006
    """Of each number of E where the start is the camera's own matrix: rounding, camera calibration, other fits."""
    sd_prefix: float = 0.05
    """The same where the table matched only the beginning of the model's name: likely a sibling's sensor."""
    apart: tuple[float, ...] = (0.0, 0.01, 0.02, 0.04, 0.08)
    """Standard deviations tried for each number of T, from none to what LibRaw's table differs at most from matrices
    of measured sensitivities of the same models."""
    least_evidence: float = 3.0
    """Natural logarithm of how much more probable (20 times) a wider prior must make the pairs."""
    cauchy_width: float = 3.0
    """In standard deviations: beyond it a pair loses its pull."""
    inlier_sd: float = 6.0
    """Pairs within count as explained."""
    strain_free: float = 10.0
    strain_per_pair: float = 5.0
    """Strain is the prior's term of the minimum, about 9 per fitted matrix by chance. One stale pair must not bend the
    matrices beyond what cameras do; many pairs that agree may, as some sensors are unlike all others."""
    least_against_own: int = 8
    """Distinct pairs that must agree before a camera's own profile (DNG, profile file) is doubted."""
    evidence_against_own: float = 5.0
    """Natural logarithm: how much more probable other matrices must make the pairs before that profile is doubted."""
    least_share: float = 0.6
    """Share of pairs that must be explained, else the fit is refused."""
    same_light_mired: float = 40.0
    same_light_tint: float = 30.0
    """Whites nearer than this are one kind of light: so far an automatic white balance wanders under one lamp, and less
    than from sun to shade (50 mired)."""
    known_mired: float = 2.0
    known_tint: float = 2.0
    """Both calibrations count as known where the numbers under standard light A and D65 are this certain (one sd):
    about a quarter of a just visible difference on skin."""
    passes: int = 40


@dataclass(frozen=True, slots=True)
class MatrixFit:
    """What came out; the same words as `xmpsync.colour.scale.Scale`.

    `evidence` and `base_evidence`: logarithm of how probable the pairs are with unknown matrices, and with the base's
    own, up to one constant.
    """

    profile: CameraProfile
    explained: bool
    base_explains: bool
    n_distinct: int
    n_used: int
    n_lights: int
    residual_mired: float
    residual_tint: float
    before_mired: float
    before_tint: float
    doubts: tuple[tuple[float, float, float], ...]
    both_known: bool
    strain: float
    plausible: bool
    evidence: float
    base_evidence: float


DOUBT_K = (2500.0, 2850.0, 3300.0, 4000.0, 5000.0, 6500.0, 8500.0)


def fit_matrices(
    pairs: Sequence[tuple[Vec3, float, float]],
    start: tuple[CameraProfile, bool],
    expectation: Expectation,
    settings: ScaleSettings,
) -> MatrixFit:
    """Fit the matrices of a start (profile, True where one daylight matrix is to be completed) to distinct pairs.

    How far the start itself is off is found by evidence: not at all, unless one of `settings.apart` explains the pairs
    better by `settings.least_evidence`.
    """
    base, complete = start
    neutral = np.array([p[0] for p in pairs], float)
    mired = 1e6 / np.array([p[1] for p in pairs], float)
    tint = np.array([p[2] for p in pairs], float)
    observed = _log_ratios(neutral)
    sd = np.stack(
        [
            np.hypot(settings.sd_floor_mired, _rounding_sd_mired(mired)),
            np.hypot(settings.sd_floor_tint, _rounding_sd(tint)),
        ],
        axis=-1,
    )
    models = [_Model(base, complete, expectation, settings, apart) for apart in settings.apart]
    solved = [_solved(model, observed, mired, tint, sd, settings) for model in models]
    nearest = solved[0].evidence + settings.least_evidence
    best = max(range(len(solved)), key=lambda k: solved[k].evidence if k else nearest)
    model, e, curvature = models[best], solved[best].e, solved[best].curvature
    fitted = model.profile(e)
    found = _numbers_error(fitted, neutral, mired, tint)
    before = _numbers_error(base, neutral, mired, tint)
    inlier = (np.abs(found) / sd <= settings.inlier_sd).all(axis=-1)
    used = inlier if inlier.any() else np.ones(len(pairs), bool)
    residual, was = (np.sqrt(np.mean(np.nan_to_num(x[used], nan=UNEXPLAINED) ** 2, axis=0)) for x in (found, before))
    strain = float(e @ model.precision @ e)
    doubts = model.doubts(np.asarray(np.linalg.inv(curvature), float))
    return MatrixFit(
        profile=fitted,
        explained=bool(inlier.mean() >= settings.least_share),
        base_explains=bool((np.abs(before) / sd <= settings.cauchy_width).all(axis=-1).mean() >= settings.least_share),
        n_distinct=len(pairs),
        n_used=int(inlier.sum()),
        n_lights=_kinds(mired[used], tint[used], settings),
        residual_mired=float(residual[0]),
        residual_tint=float(residual[1]),
        before_mired=float(was[0]),
        before_tint=float(was[1]),
        doubts=doubts,
        strain=strain,
        evidence=solved[best].evidence,
        base_evidence=-_lost(np.nan_to_num(before, nan=UNEXPLAINED) / sd, settings),
        plausible=strain <= settings.strain_free + settings.strain_per_pair * int(inlier.sum()),
        both_known=all(
            sd_mired <= settings.known_mired and sd_tint <= settings.known_tint
            for kelvin, sd_mired, sd_tint in doubts
            if kelvin in (WARM_K, COOL_K)
        ),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    """The minimum of one prior: E, the curvature there, and the log evidence of the pairs up to a common constant."""

    e: FloatArray
    curvature: FloatArray
    evidence: float


def _solved(
    model: _Model, observed: FloatArray, mired: FloatArray, tint: FloatArray, sd: FloatArray, settings: ScaleSettings
) -> _Solved:
    numbers_by_log = np.linalg.inv(model.log_by_numbers(mired, tint)) / sd[:, :, None]
    e = np.zeros(model.size)
    width, curvature = np.inf, model.precision
    for _ in range(settings.passes):
        predicted, by_e = model.predict(e, mired, tint)
        r = apply(numbers_by_log, observed - predicted)
        j = numbers_by_log @ by_e
        length = np.hypot(r[:, 0], r[:, 1])
        width = max(settings.cauchy_width, min(0.5 * width, 3.0 * float(np.median(length))))
        w = 1.0 / (1.0 + (length / width) ** 2)
        rows, weighted = j.reshape(-1, model.size), (w[:, None, None] * j).reshape(-1, model.size)
        curvature = rows.T @ weighted + model.precision
        step = np.linalg.solve(curvature, weighted.T @ r.reshape(-1) - model.precision @ e)
        e = e + step
        if np.abs(step).max() < SMALLEST_STEP and width <= settings.cauchy_width:
            break
    r = apply(numbers_by_log, observed - model.predict(e, mired, tint)[0])
    # Laplace's approximation: minimum of the objective, width of the minimum against the width of the prior
    lost = _lost(r, settings) + 0.5 * float(e @ model.precision @ e)
    spread = float(np.linalg.slogdet(curvature)[1] - np.linalg.slogdet(model.precision)[1])
    return _Solved(e, np.asarray(curvature, float), -lost - 0.5 * spread)


def _lost(r: FloatArray, settings: ScaleSettings) -> float:
    """Cauchy's loss of whitened residuals (n, 2)."""
    c = settings.cauchy_width
    return 0.5 * c**2 * float(np.log1p((r**2).sum(axis=-1) / c**2).sum())


SMALLEST_STEP = 1e-9
UNEXPLAINED = 999.0
"""Stands for an error that cannot be computed (no white has this neutral)."""


class _Model:
    """Predicted log ratios of neutrals as a function of E; the letters are those of the module's derivation."""

    def __init__(
        self,
        base: CameraProfile,
        complete: bool,
        expectation: Expectation,
        settings: ScaleSettings,
        apart: float,
    ) -> None:
        self._base, self._expectation = base, expectation
        sd = settings.sd_prefix if base.source is ProfileSource.TABLE_PREFIX else settings.sd_own
        if complete:
            cool = base.calibrations[0]
            # The table's single matrix takes both places; the expectation turns the warm one.
            self._parts: tuple[Calibration, ...] = (
                replace(cool, temperature_k=COOL_K),
                replace(cool, temperature_k=WARM_K),
            )
            self._expected = np.array([np.eye(3), np.array(expectation.r_mean)])
            turned = np.array(expectation.r_covariance_1e6) * 1e-6 * settings.prior_inflation + sd**2 * np.eye(9)
            covariances = [sd**2 * np.eye(9), turned]
        else:
            self._parts = tuple(sorted(base.calibrations, key=lambda c: -c.temperature_k))
            self._expected = np.array([np.eye(3)] * len(self._parts))
            covariances = [sd**2 * np.eye(9)] * len(self._parts)
        self.size = 9 * len(self._parts)
        covariance = np.zeros((self.size, self.size))
        for k, c in enumerate(covariances):
            covariance[9 * k : 9 * k + 9, 9 * k : 9 * k + 9] = c
        # E_k = T . A_k + what is its own, T common: row by row, vec(T . A) = (1 (x) A^T) . vec(T)
        common = np.concatenate([np.kron(np.eye(3), a.T) for a in self._expected])
        covariance += apart**2 * common @ common.T
        self.precision = np.linalg.inv(covariance)
        self._stack: Stack = stack(replace(base, calibrations=self._parts))

    def predict(self, e: FloatArray, mired: FloatArray, tint: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Log ratios (n, 2) and their derivatives by E (n, 2, size)."""
        s = self._stack
        xy = xy_from_mired_tint(mired, tint)
        white = xyz_from_xy(xy)
        g = weights(s, mired, xy)
        # AB . CC is blended at the start and not fitted: E absorbs it.
        calibration = blended(s, g).calibration
        turned = apply(self._expected + e.reshape(-1, 3, 3), white[:, None, :])
        neutral = apply(calibration, np.einsum("kij,nkj->ni", s.camera_from_xyz, g[:, :, None] * turned))
        moved = np.einsum("nij,kjl->nikl", calibration, s.camera_from_xyz) * g[:, None, :, None]
        by_e = moved[..., None] * white[:, None, None, None, :]
        by_log = by_e / np.maximum(neutral, SMALLEST_NEUTRAL)[:, :, None, None, None]
        ratio = np.stack([by_log[:, 0] - by_log[:, 1], by_log[:, 2] - by_log[:, 1]], axis=1)
        return _log_ratios(neutral), ratio.reshape(len(mired), 2, self.size)

    def log_by_numbers(self, mired: FloatArray, tint: FloatArray) -> FloatArray:
        """Derivatives (n, 2, 2) of the log ratios by mired and tint, at the expectation."""
        e, h = np.zeros(self.size), DIFFERENCE
        columns = [
            (self.predict(e, mired + dm, tint + dt)[0] - self.predict(e, mired - dm, tint - dt)[0]) / (2.0 * h)
            for dm, dt in ((h, 0.0), (0.0, h))
        ]
        return np.stack(columns, axis=-1)

    def profile(self, e: FloatArray) -> CameraProfile:
        """The start with its matrices fitted, and forward matrices: its own or expected ones."""
        matrices = self._stack.camera_from_xyz @ (self._expected + e.reshape(-1, 3, 3))
        calibrations = [
            Calibration(
                part.temperature_k,
                mat3(m),
                part.xyz_d50_from_balanced or expected_forward(m, part.temperature_k, self._expectation),
                part.camera_calibration,
                part.xy,
            )
            for part, m in zip(self._parts, matrices, strict=True)
        ]
        return replace(self._base, calibrations=tuple(sorted(calibrations, key=lambda c: c.temperature_k)))

    def doubts(self, covariance: FloatArray) -> tuple[tuple[float, float, float], ...]:
        """(temperature, sd in mired, sd in tint) of the fitted numbers for lights on the locus."""
        mired, tint = 1e6 / np.array(DOUBT_K), np.zeros(len(DOUBT_K))
        by_e = np.linalg.inv(self.log_by_numbers(mired, tint)) @ self.predict(np.zeros(self.size), mired, tint)[1]
        variance = np.einsum("nik,kl,nil->ni", by_e, covariance, by_e)
        return tuple((k, float(m), float(t)) for k, (m, t) in zip(DOUBT_K, np.sqrt(variance), strict=True))


DIFFERENCE = 1e-3


def _log_ratios(neutral: FloatArray) -> FloatArray:
    log = np.log(np.maximum(neutral, SMALLEST_NEUTRAL))
    return np.stack([log[..., 0] - log[..., 1], log[..., 2] - log[..., 1]], axis=-1)


SMALLEST_NEUTRAL = 1e-6


def _numbers_error(profile: CameraProfile, neutral: FloatArray, mired: FloatArray, tint: FloatArray) -> FloatArray:
    """Numbers of the profile minus the editor's (n, 2), in mired and tint."""
    found_mired, found_tint = mired_tint_from_neutral(profile, neutral)
    return np.stack([found_mired - mired, found_tint - tint], axis=-1)


def _rounding_sd_mired(mired: FloatArray) -> FloatArray:
    temperature_k = 1e6 / mired
    return _rounding_sd(temperature_k) * mired / temperature_k


def _rounding_sd(numbers: FloatArray) -> FloatArray:
    """Standard deviation (n,) of the rounding of each number.

    The step of a camera or editor is the coarsest usual one of which most numbers are multiples; a number that is no
    multiple of it (a stray: set by hand, or by another program) is rounded to a whole one. Zeros and repeated numbers
    are evidence for no step.
    """
    fine = 1.0 / float(np.sqrt(12.0))
    distinct = np.unique(numbers[numbers != 0])
    for step in STEPS:
        evidence = _multiples(distinct, step)
        if evidence.sum() >= MANY and evidence.mean() >= LEAST_SHARE:
            return np.where(_multiples(numbers, step), step * fine, fine)
    return np.full(numbers.shape, fine)


def _multiples(numbers: FloatArray, step: float) -> FloatArray:
    return np.asarray(np.abs(numbers / step - np.rint(numbers / step)) < 1e-6)


STEPS = (100.0, 50.0, 10.0, 5.0)
MANY = 4
"""From this many distinct numbers on, most of them being multiples of a step is not chance: one of 50 is a multiple of
50 by chance, one of 5 of 5, so that 4 of at most 6 numbers come to less than one in 50."""
LEAST_SHARE = 0.6
"""Share of multiples; half of the multiples of 50 are multiples of 100 too, and must not count as such."""


def _kinds(mired: FloatArray, tint: FloatArray, settings: ScaleSettings) -> int:
    """Kinds of light: how many whites, taken from the coolest on, lie further apart than one kind of light moves."""
    whites = np.stack([mired / settings.same_light_mired, tint / settings.same_light_tint], axis=-1)
    whites = whites[np.lexsort(whites.T[::-1])]
    kinds = 0
    while len(whites):
        kinds += 1
        whites = whites[np.hypot(*(whites - whites[0]).T) > 1.0]
    return kinds
