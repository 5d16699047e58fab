"""The right answer for a frame: what each person and the frame as a whole need to look as in the reference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import least_squares

from demo_shoot.dng_model import Profile, difference, render, solve

LEVEL_WEIGHT = 10.0
"""How many units of CIELAB chroma one EV weighs when several people want different corrections."""


TOLERANCE_DE00, TOLERANCE_EV = 2.0, 0.25
"""What skin may be off by (docs/contract.md); mixed light is what no single correction brings within it."""


@dataclass(frozen=True, eq=False)
class PersonTruth:
    """One person of a frame: box (left, top, width, height) in fractions, noise-free lit skin (camera value), and the
    two halves of the face (2, 3; camera values)."""

    name: str
    box: tuple[float, float, float, float]
    skin: np.ndarray
    sides: np.ndarray


def reference_colours(
    profile: Profile, people: Sequence[tuple[str, np.ndarray]], numbers: tuple[float, float, float]
) -> dict[str, np.ndarray]:
    """XYZ D50 that every person of the reference frame has at the frame's own temperature, tint and exposure."""
    return {name: render(profile, skin, *numbers) for name, skin in people}


def frame_answer(
    profile: Profile,
    people: Sequence[PersonTruth],
    targets: dict[str, np.ndarray],
    baseline: tuple[float, float, float],
) -> dict[str, Any]:
    """The frame's correction, each person's own, how far off the skin is at the baseline and at the correction, how far
    apart the halves of each face are there, and whether that is mixed light: of two halves the best single correction
    lies half way, so they must be more than twice the tolerance apart."""
    known = [person for person in people if person.name in targets]
    correction = joint_correction(profile, known, targets)
    described = []
    for person in known:
        before = difference(render(profile, person.skin, *baseline), targets[person.name])
        after = difference(render(profile, person.skin, *correction), targets[person.name]) if correction else before
        apart = _apart(profile, person, targets[person.name], correction or baseline)
        own = solve(profile, person.skin, targets[person.name])
        described.append(
            {
                "name": person.name,
                "box": list(person.box),
                "skin_camera": person.skin.tolist(),
                "own": _named(own),
                "baseline_delta_e00": before[0],
                "baseline_level_ev": before[1],
                "corrected_delta_e00": after[0],
                "corrected_level_ev": after[1],
                "sides_delta_e00": apart,
            }
        )
    mixed = any(
        one["sides_delta_e00"] > 2 * TOLERANCE_DE00
        or one["corrected_delta_e00"] > TOLERANCE_DE00
        or abs(one["corrected_level_ev"]) > TOLERANCE_EV
        for one in described
    )
    return {"people": described, "correction": _named(correction) if correction else None, "mixed_light": mixed}


def _apart(profile: Profile, person: PersonTruth, target: np.ndarray, numbers: tuple[float, float, float]) -> float:
    """dE00 between the colours of a face's two halves, both at the level of `target`: levels differ by shading."""
    one, other = (render(profile, side, *numbers) for side in person.sides)
    return difference(one / one[1] * target[1], other / other[1] * target[1])[0]


def joint_correction(
    profile: Profile, people: Sequence[PersonTruth], targets: dict[str, np.ndarray]
) -> tuple[float, float, float] | None:
    """(kelvin, tint, EV) that serves all people of a frame best, by least squares; exact for one; None for nobody."""
    if not people:
        return None
    own = np.array([solve(profile, person.skin, targets[person.name]) for person in people])
    if len(people) == 1:
        return tuple(float(value) for value in own[0])  # type: ignore[return-value]
    start = np.array([(1e6 / own[:, 0]).mean(), own[:, 1].mean(), own[:, 2].mean()])

    def residual(theta: np.ndarray) -> np.ndarray:
        rows = []
        for person in people:
            target = targets[person.name]
            xyz = render(profile, person.skin, 1e6 / theta[0], theta[1], theta[2])
            rows.append(_chroma(xyz / xyz[1]) - _chroma(target / target[1]))
            rows.append(np.array([LEVEL_WEIGHT * np.log2(xyz[1] / target[1])]))
        return np.concatenate(rows)

    found = least_squares(residual, start, x_scale=[10.0, 5.0, 0.1], bounds=([20.0, -150.0, -8.0], [500.0, 150.0, 8.0]))
    mired, tint, exposure_ev = (float(value) for value in found.x)
    return 1e6 / mired, tint, exposure_ev


def _chroma(xyz: np.ndarray) -> np.ndarray:
    """(a*, b*) at a middle luminance, D50."""
    roots = np.cbrt(0.3 * xyz / np.array([0.9642, 1.0, 0.8249]))
    return np.array([500.0 * (roots[0] - roots[1]), 200.0 * (roots[1] - roots[2])])


def _named(numbers: tuple[float, float, float]) -> dict[str, float]:
    return dict(zip(("temperature_k", "tint", "exposure_ev"), numbers, strict=True))
