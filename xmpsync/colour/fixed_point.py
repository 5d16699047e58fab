"""The white that explains itself: the DNG iteration from a camera neutral (or a skin colour) to temperature and tint.

A step maps a white w to another one, because the matrices depend on w. With one or two calibrations they depend on
the mired m alone: m -> G(m), constant outside the calibrations, so G(m) - m changes its sign between the smallest
and the largest value of G and a root always exists. It is found by bracketed regula falsi (Illinois: Dowell & Jarratt
1971, BIT 11, 168), which also converges where the plain iteration oscillates. With three calibrations the weights
depend on xy: Newton on xy with a numerical Jacobian, started by plain passes from D50.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from xmpsync.colour.adaptation import D50_XY
from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.blend import Blended, Stack, blended, weights
from xmpsync.colour.temperature import mired_tint_from_xy

Step = Callable[[Blended], FloatArray]
"""Chromaticity (..., 2) of the white that the matrices of another white imply; NaN where there is none."""

TOLERANCE_MIRED = 1e-6
"""Far below the 0.01 mired that is promised; a pass costs half a millisecond per thousand frames."""
TOLERANCE_XY = 1e-11
ACCEPTED_MIRED = 1e-4
MAX_PASSES = 60
SCAN_STEPS = 25
PLAIN_PASSES = 8
DIFFERENCE_XY = 1e-6
ACCEPTED_XY = 1e-8
LONGEST_STEP_XY = 0.05


def self_consistent_white(s: Stack, step: Step, shape: tuple[int, ...]) -> tuple[FloatArray, FloatArray]:
    """Mired and tint, each of the given shape, at which `step` returns the white it was given; NaN if none."""
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        if s.uses_tint:
            return _by_newton(s, step, shape)
        if len(s.mired) == 1 or s.mired[0] == s.mired[1]:
            return mired_tint_from_xy(step(blended(s, weights(s, np.full(shape, s.mired[0]), np.zeros((*shape, 2))))))
        return _by_bracket(s, step, shape)


def _by_bracket(s: Stack, step: Step, shape: tuple[int, ...]) -> tuple[FloatArray, FloatArray]:
    no_xy = np.zeros((*shape, 2))

    def evaluate(mired: FloatArray) -> tuple[FloatArray, FloatArray]:
        return mired_tint_from_xy(step(blended(s, weights(s, mired, no_xy))))

    cool, warm = (np.full(shape, m) for m in s.mired)
    at_cool, tint_cool = evaluate(cool)
    at_warm, tint_warm = evaluate(warm)
    # Outside the calibrations the matrices are constant, so a value beyond is its own answer.
    below, above = at_cool <= cool, at_warm >= warm
    found, tint = _illinois(evaluate, cool, at_cool - cool, warm, at_warm - warm, ~below & ~above)
    blind = ~(below | above) & ~(np.isfinite(at_cool) & np.isfinite(at_warm))
    if blind.any():
        found, tint = _where(blind, _illinois(evaluate, *_scanned(evaluate, cool, warm), blind), (found, tint))
    found, tint = _where(above, (at_warm, tint_warm), (found, tint))
    return _where(below, (at_cool, tint_cool), (found, tint))


def _illinois(
    evaluate: Callable[[FloatArray], tuple[FloatArray, FloatArray]],
    a: FloatArray,
    fa: FloatArray,
    b: FloatArray,
    fb: FloatArray,
    wanted: npt.NDArray[np.bool_],
) -> tuple[FloatArray, FloatArray]:
    """Mired where `evaluate` returns its argument, and the tint there, between a (error fa > 0) and b (fb < 0)."""
    low, high, kept = a, b, np.zeros_like(a)
    mired, tint, error = a, np.full_like(a, np.nan), fa
    for _ in range(MAX_PASSES):
        mired = np.clip(np.where(fa != fb, (a * fb - b * fa) / (fb - fa), 0.5 * (a + b)), low, high)
        found, tint = evaluate(mired)
        error = found - mired
        if not np.any((np.abs(error) > TOLERANCE_MIRED) & wanted):
            break
        left = error > 0
        # The end that stays twice in a row has its error halved (Illinois), else one end would never move.
        fb = np.where(left, np.where(kept > 0, 0.5 * fb, fb), error)
        fa = np.where(left, error, np.where(kept < 0, 0.5 * fa, fa))
        a, b = np.where(left, mired, a), np.where(left, b, mired)
        kept = np.where(left, 1.0, -1.0)
    good = np.abs(error) <= ACCEPTED_MIRED
    return np.where(good, mired, np.nan), np.where(good, tint, np.nan)


def _scanned(
    evaluate: Callable[[FloatArray], tuple[FloatArray, FloatArray]], cool: FloatArray, warm: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """A bracket for colours that one of the calibrations cannot explain: the first change of sign on a grid."""
    grid = np.array([cool + (warm - cool) * f for f in np.linspace(0.0, 1.0, SCAN_STEPS)])
    errors = np.array([evaluate(m)[0] - m for m in grid])
    change = (errors[:-1] > 0) & (errors[1:] <= 0)
    k = change.argmax(axis=0)[None]
    a, fa, b, fb = (np.take_along_axis(x, i, axis=0)[0] for i in (k, k + 1) for x in (grid, errors))
    return a, np.where(change.any(axis=0), fa, np.nan), b, fb


def _where(
    mask: npt.NDArray[np.bool_], a: tuple[FloatArray, FloatArray], b: tuple[FloatArray, FloatArray]
) -> tuple[FloatArray, FloatArray]:
    return np.where(mask, a[0], b[0]), np.where(mask, a[1], b[1])


def _by_newton(s: Stack, step: Step, shape: tuple[int, ...]) -> tuple[FloatArray, FloatArray]:
    def evaluate(xy: FloatArray) -> FloatArray:
        return step(blended(s, weights(s, np.zeros(shape), xy)))

    xy = np.broadcast_to(np.array(D50_XY), (*shape, 2)).copy()
    for _ in range(PLAIN_PASSES):
        xy = evaluate(xy)
    dx, dy = np.array([DIFFERENCE_XY, 0.0]), np.array([0.0, DIFFERENCE_XY])
    for _ in range(MAX_PASSES):
        error = evaluate(xy) - xy
        if not np.any(np.abs(error) > TOLERANCE_XY):
            break
        jx = (evaluate(xy + dx) - evaluate(xy - dx)) / (2.0 * DIFFERENCE_XY) - np.array([1.0, 0.0])
        jy = (evaluate(xy + dy) - evaluate(xy - dy)) / (2.0 * DIFFERENCE_XY) - np.array([0.0, 1.0])
        determinant = jx[..., 0] * jy[..., 1] - jx[..., 1] * jy[..., 0]
        newton = np.stack(
            [jy[..., 0] * error[..., 1] - jy[..., 1] * error[..., 0],
             jx[..., 1] * error[..., 0] - jx[..., 0] * error[..., 1]], axis=-1) / determinant[..., None]  # fmt: skip
        # A step longer than a plain pass could leave the plane of colours: fall back to the plain pass there.
        wild = ~(np.abs(newton).max(axis=-1) <= LONGEST_STEP_XY)
        xy = xy + np.where(wild[..., None], error, newton)
    error = evaluate(xy) - xy
    good = (np.abs(error) <= ACCEPTED_XY).all(axis=-1)
    mired, tint = mired_tint_from_xy(xy)
    return np.where(good, mired, np.nan), np.where(good, tint, np.nan)
