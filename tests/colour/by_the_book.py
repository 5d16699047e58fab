"""A second implementation of the DNG colour mapping, for the tests only, written from the text of the specification.

DNG specification 1.7.1, chapter "Mapping Camera Color Space to CIE XYZ Space". One colour at a time, plain numbers,
none of the tool's code: temperatures and tints through colour-science's Robertson functions, linear algebra by numpy's
general solver, the white found by the iteration that the text describes.
"""

from __future__ import annotations

import numpy as np

from tests.colour.reference import colour_science

D50 = np.array([0.3457 / 0.3585, 1.0, (1 - 0.3457 - 0.3585) / 0.3585])
# Lam's Bradford cone responses, as the specification's linear adaptation uses them.
CONE = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
TINT_SCALE = 3000.0  # common practice, not part of the specification


def xy_of(temperature_k: float, tint: float) -> np.ndarray:
    u, v = colour_science().temperature.CCT_to_uv_Robertson1968(np.array([temperature_k, tint / TINT_SCALE]))
    return np.array([3 * u, 2 * v]) / (2 * u - 8 * v + 4)


def numbers_of(xy: np.ndarray) -> tuple[float, float]:
    x, y = xy
    uv = np.array([4 * x, 6 * y]) / (-2 * x + 12 * y + 3)
    temperature_k, duv = colour_science().temperature.uv_to_CCT_Robertson1968(uv)
    return float(temperature_k), float(duv * TINT_SCALE)


def xyz_of(xy: np.ndarray) -> np.ndarray:
    return np.array([xy[0] / xy[1], 1.0, (1 - xy[0] - xy[1]) / xy[1]])


class Camera:
    """Tag values as in the file: matrices 3 x 3 by calibration, in the order of the tags."""

    def __init__(self, temperatures, colour, calibration, balance, forward=None):  # type: ignore[no-untyped-def]
        self.t = temperatures
        self.cm, self.cc, self.ab = colour, calibration, np.diag(balance)
        self.fm = None if forward is None else [np.diag(D50 / f.sum(axis=1)) @ f for f in forward]

    def _interpolated(self, matrices: list[np.ndarray], temperature_k: float) -> np.ndarray:
        if len(self.t) == 1:
            return matrices[0]
        (low, first), (high, second) = sorted(zip(self.t, matrices, strict=True), key=lambda pair: pair[0])
        if temperature_k <= low:
            return first
        if temperature_k >= high:
            return second
        g = (1 / temperature_k - 1 / high) / (1 / low - 1 / high)
        return g * first + (1 - g) * second

    def xyz_to_camera(self, temperature_k: float) -> np.ndarray:
        cc = self._interpolated(self.cc, temperature_k)
        return self.ab @ cc @ self._interpolated(self.cm, temperature_k)

    def neutral(self, temperature_k: float, tint: float) -> np.ndarray:
        n = self.xyz_to_camera(temperature_k) @ xyz_of(xy_of(temperature_k, tint))
        return n / n.max()

    def white(self, neutral: np.ndarray) -> tuple[float, float]:
        xy = np.array([0.3457, 0.3585])
        for _ in range(500):
            temperature_k, _ = numbers_of(xy)
            xyz = np.linalg.solve(self.xyz_to_camera(temperature_k), neutral)
            # Halving the step: the plain iteration may swing about its fixed point.
            xy = 0.5 * (xy + xyz[:2] / xyz.sum())
        return numbers_of(xy)

    def camera_to_xyz_d50(self, temperature_k: float, tint: float) -> np.ndarray:
        xy = xy_of(temperature_k, tint)
        n = self.xyz_to_camera(temperature_k) @ xyz_of(xy)
        if self.fm is None:
            cone = CONE @ xyz_of(xy)
            adapt = np.linalg.solve(CONE, np.diag((CONE @ D50) / cone) @ CONE)
            # The specification leaves the level open; here the neutral with largest channel 1 gets Y = 1.
            return n.max() * adapt @ np.linalg.inv(self.xyz_to_camera(temperature_k))
        individual_to_reference = np.linalg.inv(self.ab @ self._interpolated(self.cc, temperature_k))
        reference_neutral = individual_to_reference @ (n / n.max())
        return self._interpolated(self.fm, temperature_k) @ np.diag(1 / reference_neutral) @ individual_to_reference
