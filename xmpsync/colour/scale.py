"""The editor's scale, learned from pairs: what temperature and tint mean to the editor for one camera.

A sidecar often holds the editor's own numbers for the as-shot white. Beside the camera neutral of the RAW this is a
pair (neutral -> temperature, tint), and pairs under different lights show the colour matrices that the editor uses.
`fit_scale` fits them (derivation in `xmpsync.colour.scale_fit`); the result is an ordinary `CameraProfile` that serves
for reading numbers, for solving and for rendering, and a record that can be shared between shoots.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np

from xmpsync.colour.camera_profile import CameraProfile, ProfileSource
from xmpsync.colour.expected import MANY_CAMERAS, SINGLE_SOURCES, Expectation, expected_profile
from xmpsync.colour.scale_fit import MatrixFit, ScaleSettings, fit_matrices
from xmpsync.records import TEMPERATURE_RANGE_K, TINT_RANGE, Vec3

DEFAULT_SETTINGS = ScaleSettings()
SMALLEST_CHANNEL = 0.01
"""Least channel of a neutral against its largest: candle light leaves blue above a tenth (common practice)."""


class Extent(StrEnum):
    """How far the pairs carry."""

    MATRICES = "matrices"
    """Warm and cool light are both known: the editor's matrices are fitted."""
    OFFSET = "offset"
    """Only some light is known: numbers are shifted to agree there, elsewhere cameras' average behaviour is kept."""
    NONE = "none"
    """No pairs, or they are not explained, or there is nothing to learn: the base profile stays as it was."""


@dataclass(frozen=True, slots=True)
class ScalePair:
    """A camera neutral (any level) and the editor's numbers for it."""

    neutral: Vec3
    temperature_k: float
    tint: float


@dataclass(frozen=True, slots=True)
class ScaleDoubt:
    """Standard deviation of the numbers that the scale gives for a light at `temperature_k`, tint 0."""

    temperature_k: float
    sd_mired: float
    sd_tint: float


@dataclass(frozen=True, slots=True)
class Scale:
    """An editor's scale for one camera. Plain numbers, so that it can be written as JSON and shared.

    `profile` has the source LEARNED where something was learned, otherwise it is the base. `n_pairs` counts all pairs,
    `n_used` distinct ones that the fit explains, `n_lights` kinds of light among them. `residual_mired` and
    `residual_tint`: root mean square over the pairs used, `before_mired` and `before_tint` the same of the base
    profile. `reason` is a sentence on what was done and why.
    """

    camera: str
    extent: Extent
    profile: CameraProfile
    n_pairs: int = 0
    n_used: int = 0
    n_lights: int = 0
    residual_mired: float = 0.0
    residual_tint: float = 0.0
    before_mired: float = 0.0
    before_tint: float = 0.0
    doubts: tuple[ScaleDoubt, ...] = ()
    pairs: tuple[ScalePair, ...] = field(default=(), repr=False)
    reason: str = ""


def fit_scale(
    pairs: Iterable[ScalePair],
    base: CameraProfile,
    *,
    camera: str = "",
    expectation: Expectation = MANY_CAMERAS,
    settings: ScaleSettings = DEFAULT_SETTINGS,
) -> Scale:
    """The editor's scale for one camera from its pairs, starting at the base profile. The order does not matter.

    Never raises for bad pairs: pairs that no editor writes or no camera sees are left out, wild ones lose their weight,
    and where the rest is not explained the base comes back with the reason. Without pairs (or refused) a single table
    matrix is completed by what cameras have on average (`expected_profile`), which `reason` mentions.
    """
    given = tuple(pairs)
    start = expected_profile(base, expectation)
    usable = sorted({p for p in given if _possible(p)}, key=lambda p: (p.temperature_k, p.tint, p.neutral))
    none = Scale(camera, Extent.NONE, start, n_pairs=len(given))
    if not usable:
        return replace(none, reason="no pairs of camera neutral and editor's numbers" + _completed(base))
    numbers = [(p.neutral, p.temperature_k, p.tint) for p in usable]
    try:
        fits = [fit_matrices(numbers, s, expectation, settings) for s in _starts(base)]
    except np.linalg.LinAlgError:
        return replace(none, reason="the pairs fit no matrices of a camera" + _completed(base))
    own = fits[0].base_evidence if base.source not in SINGLE_SOURCES else None
    accepted = [f for f in fits if _accepted(f, own, settings)]
    # a file's single matrix may explain the pairs by itself, but worse than one completed by a second
    fit = max(accepted, key=lambda f: f.evidence, default=fits[0])
    measured = replace(
        none,
        n_used=fit.n_used,
        n_lights=fit.n_lights,
        residual_mired=fit.residual_mired,
        residual_tint=fit.residual_tint,
        before_mired=fit.before_mired,
        before_tint=fit.before_tint,
    )
    if own is not None and fits[0].base_explains and not accepted:
        return replace(measured, reason="the camera's own profile already gives the editor's numbers")
    if not _accepted(fit, own, settings):
        return replace(measured, reason=_refusal(fit, own, settings) + _completed(base))
    extent = Extent.MATRICES if fit.both_known else Extent.OFFSET
    return replace(
        measured,
        extent=extent,
        profile=replace(fit.profile, source=ProfileSource.LEARNED, name=base.name),
        doubts=tuple(ScaleDoubt(*d) for d in fit.doubts),
        pairs=tuple(usable),
        reason=_account(fit, extent),
    )


def refit(scale: Scale, more: Iterable[ScalePair], base: CameraProfile) -> Scale:
    """The scale fitted again from its own pairs and more of them: how scales of several shoots add up."""
    return fit_scale((*scale.pairs, *more), base, camera=scale.camera)


def _starts(base: CameraProfile) -> list[tuple[CameraProfile, bool]]:
    """Profiles to start from, with True where the start is an expectation rather than the camera's own data."""
    if base.source in SINGLE_SOURCES:
        return [(base, True)]
    daylight = max(base.calibrations, key=lambda c: -abs(1e6 / c.temperature_k - 1e6 / 6500.0))
    alone = CameraProfile((replace(daylight, xyz_d50_from_balanced=None),), base.analog_balance, ProfileSource.TABLE)
    return [(base, False), (alone, True)]


def _possible(p: ScalePair) -> bool:
    """Numbers that an editor writes, and a neutral that a camera has: pairs come from files that may be anybody's."""
    neutral = np.array(p.neutral, float)
    return bool(
        np.isfinite(neutral).all()
        and neutral.min() > SMALLEST_CHANNEL * neutral.max()
        and TEMPERATURE_RANGE_K[0] <= p.temperature_k <= TEMPERATURE_RANGE_K[1]
        and TINT_RANGE[0] <= p.tint <= TINT_RANGE[1]
    )


def _completed(base: CameraProfile) -> str:
    return "; the table's matrix is completed by what cameras have on average" if base.source in SINGLE_SOURCES else ""


def _accepted(fit: MatrixFit, own: float | None, settings: ScaleSettings) -> bool:
    """Whether a fit counts. `own`: evidence for the camera's own profile, None where it brings none."""
    return fit.explained and fit.plausible and (own is None or _against(fit, own, settings))


def _against(fit: MatrixFit, own: float, settings: ScaleSettings) -> bool:
    return fit.n_used >= settings.least_against_own and fit.evidence - own >= settings.evidence_against_own


def _refusal(fit: MatrixFit, own: float | None, settings: ScaleSettings) -> str:
    if own is not None and fit.explained and not _against(fit, own, settings):
        return f"{fit.n_used} pairs contradict the camera's own profile, too few to replace it: not used"
    if fit.explained and not fit.plausible:
        return f"{fit.n_used} of {fit.n_distinct} pairs would need matrices unlike any camera's: not used"
    return (
        f"{fit.n_used} of {fit.n_distinct} pairs fit one set of matrices (left over: {fit.residual_mired:.1f} mired, "
        f"{fit.residual_tint:.1f} tint): not used"
    )


def _account(fit: MatrixFit, extent: Extent) -> str:
    lights = "one kind of light" if fit.n_lights == 1 else f"{fit.n_lights} kinds of light"
    did = "both matrices fitted" if extent is Extent.MATRICES else "an offset around that light, averages elsewhere"
    return (
        f"{fit.n_used} of {fit.n_distinct} distinct pairs over {lights}: {did}; numbers agree to "
        f"{fit.residual_mired:.1f} mired and {fit.residual_tint:.1f} tint, before {fit.before_mired:.1f} and "
        f"{fit.before_tint:.1f}"
    )
