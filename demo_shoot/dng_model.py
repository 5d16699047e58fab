"""The DNG colour model, written a second time: what a reader of the sidecars makes of them.

From the DNG specification 1.7, chapter "Mapping Camera Color Space to CIE XYZ Space", with temperature and tint after
Robertson (1968) on the table of Wyszecki and Stiles (1982), table 1(3.11) (data: colour-science, with the corrected
u = 0.24792 at 325 mired). It shares no code with `xmpsync.colour`, so that each can judge the other; it is written
to be plain, not fast.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq

D50_XYZ = np.array([0.9642, 1.0, 0.8249])
"""White of the connection space, as the DNG specification and ICC.1 print it."""
D50_XY = np.array([0.3457, 0.3585])
TINT_SCALE = 3000.0
TEMPERATURES_K = {17: 2850.0, 21: 6500.0, 23: 5000.0}
"""Colour temperature of calibration illuminants by Exif LightSource code, rounded as readers commonly do."""
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


@dataclass(frozen=True, eq=False)
class Profile:
    """Two calibrations: `cm` camera_from_xyz, `fm` xyz_d50_from_balanced (or None), both (2, 3, 3).

    `temperatures_k` of the two, the lower first. `cc` camera calibrations (2, 3, 3), `ab` analog balance (3,).
    """

    cm: np.ndarray
    fm: np.ndarray | None
    temperatures_k: tuple[float, float] = (2850.0, 6500.0)
    cc: np.ndarray | None = None
    ab: np.ndarray | None = None
    baseline_exposure_ev: float = 0.0

    def at(self, temperature_k: float) -> tuple[np.ndarray, np.ndarray, np.ndarray | None]:
        """(ColorMatrix, AnalogBalance . CameraCalibration, ForwardMatrix) interpolated in reciprocal temperature."""
        low, high = self.temperatures_k
        g = float(np.clip((1 / temperature_k - 1 / high) / (1 / low - 1 / high), 0.0, 1.0))
        cc = np.stack([np.eye(3)] * 2) if self.cc is None else self.cc
        ab = np.eye(3) if self.ab is None else np.diag(self.ab)
        fm = None
        if self.fm is not None:
            scaled = [np.diag(D50_XYZ / one.sum(axis=1)) @ one for one in self.fm]
            fm = g * scaled[0] + (1 - g) * scaled[1]
        return g * self.cm[0] + (1 - g) * self.cm[1], ab @ (g * cc[0] + (1 - g) * cc[1]), fm


@lru_cache(maxsize=1)
def _isotherms() -> np.ndarray:
    """(31, 4) mired, u, v, slope of the isotherm (CIE 1960)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from colour.temperature.robertson1968 import DATA_ISOTEMPERATURE_LINES_ROBERTSON1968 as data
    table = np.array(data, float)
    assert table.shape == (31, 4)
    assert table[np.flatnonzero(table[:, 0] == 325.0)[0], 1] == 0.24792
    return table


def xy_from_temperature_tint(temperature_k: float, tint: float) -> np.ndarray:
    """Chromaticity of a white: along the locus in mired, then off it along the isotherm by tint / 3000 in 1960 uv."""
    table = _isotherms()
    mired = float(np.clip(1e6 / temperature_k, 0.0, 600.0))
    index = int(np.clip(np.searchsorted(table[:, 0], mired, side="right") - 1, 0, 29))
    share = (mired - table[index, 0]) / (table[index + 1, 0] - table[index, 0])
    u, v = (1 - share) * table[index, 1:3] + share * table[index + 1, 1:3]
    lines = np.stack([np.ones(31), table[:, 3]], axis=-1)
    lines /= np.linalg.norm(lines, axis=-1, keepdims=True)
    along = (1 - share) * lines[index] + share * lines[index + 1]
    along /= np.linalg.norm(along)
    u, v = np.array([u, v]) - tint / TINT_SCALE * along  # the isotherm runs down to the magenta side
    return np.array([3 * u, 2 * v]) / (2 * u - 8 * v + 4)


def temperature_tint_from_xy(xy: np.ndarray) -> tuple[float, float]:
    """(kelvin, tint) of a chromaticity, by its distances from the isotherms: undoes `xy_from_temperature_tint`."""
    table = _isotherms()
    x, y = xy
    uv = np.array([4 * x, 6 * y]) / (-2 * x + 12 * y + 3)
    lines = np.stack([np.ones(31), table[:, 3]], axis=-1)
    lines /= np.linalg.norm(lines, axis=-1, keepdims=True)
    offset = uv - table[:, 1:3]
    beside = offset[:, 1] * lines[:, 0] - offset[:, 0] * lines[:, 1]
    index = next((i for i in range(1, 31) if beside[i] <= 0.0), 30) - 1
    before, after = max(beside[index], 0.0), max(-beside[index + 1], 0.0)
    share = before / (before + after) if before + after else 0.0
    mired = (1 - share) * table[index, 0] + share * table[index + 1, 0]
    locus = (1 - share) * table[index, 1:3] + share * table[index + 1, 1:3]
    along = (1 - share) * lines[index] + share * lines[index + 1]
    along /= np.linalg.norm(along)
    return 1e6 / max(mired, 1e-3), float(-(uv - locus) @ along * TINT_SCALE)


def xyz_from_xy(xy: np.ndarray) -> np.ndarray:
    """XYZ with Y = 1."""
    return np.array([xy[0] / xy[1], 1.0, (1 - xy[0] - xy[1]) / xy[1]])


def neutral_from_xy(profile: Profile, xy: np.ndarray) -> np.ndarray:
    """Camera value of a neutral under a white, largest channel 1 (specification: "Translating White Balance xy")."""
    cm, balance, _ = profile.at(temperature_tint_from_xy(xy)[0])
    neutral = balance @ cm @ xyz_from_xy(xy)
    return neutral / neutral.max()


def xy_from_neutral(profile: Profile, neutral: np.ndarray) -> np.ndarray:
    """White of a camera neutral, by the specification's iteration from D50."""
    xy = D50_XY
    for _ in range(60):
        cm, balance, _ = profile.at(temperature_tint_from_xy(xy)[0])
        xyz = np.linalg.solve(balance @ cm, neutral)
        new = xyz[:2] / xyz.sum()
        if np.abs(new - xy).max() < 1e-9:
            return new
        xy = new
    return xy


def xyz_d50_from_camera(profile: Profile, temperature_k: float, tint: float) -> np.ndarray:
    """3 x 3 from linear camera values to XYZ D50 at a chosen white."""
    xy = xy_from_temperature_tint(temperature_k, tint)
    cm, balance, fm = profile.at(temperature_k)
    neutral = balance @ cm @ xyz_from_xy(xy)
    if fm is not None:
        neutral = neutral / neutral.max()
        return fm @ np.diag(1.0 / np.linalg.solve(balance, neutral)) @ np.linalg.inv(balance)
    to_d50 = np.linalg.inv(_BRADFORD) @ np.diag((_BRADFORD @ D50_XYZ) / (_BRADFORD @ xyz_from_xy(xy))) @ _BRADFORD
    return neutral.max() * to_d50 @ np.linalg.inv(balance @ cm)


def render(profile: Profile, camera: np.ndarray, temperature_k: float, tint: float, exposure_ev: float) -> np.ndarray:
    """XYZ D50 (..., 3) of linear camera values at a sidecar's three numbers; no tone curve."""
    gain = 2.0 ** (exposure_ev + profile.baseline_exposure_ev)
    return gain * np.asarray(camera) @ xyz_d50_from_camera(profile, temperature_k, tint).T


def solve(profile: Profile, camera: np.ndarray, target_xyz: np.ndarray) -> tuple[float, float, float]:
    """(kelvin, tint, EV) that renders a camera value as the target XYZ D50; needs forward matrices.

    At any temperature the specification's formula gives the neutral directly, and the neutral a temperature: the
    answer is where both agree.

    Raises
    ------
    ValueError
        When no white within 2000..50000 K does it.
    """

    def neutral_at(temperature_k: float) -> np.ndarray:
        _, balance, fm = profile.at(temperature_k)
        assert fm is not None
        return balance @ (np.linalg.solve(balance, camera) / np.linalg.solve(fm, target_xyz))

    def white_at(temperature_k: float) -> tuple[float, float]:
        neutral = neutral_at(temperature_k)
        cm, balance, _ = profile.at(temperature_k)
        xyz = np.linalg.solve(balance @ cm, neutral)
        return temperature_tint_from_xy(xyz[:2] / xyz.sum())

    def gap(mired: float) -> float:
        return 1e6 / white_at(1e6 / mired)[0] - mired

    grid = np.linspace(20.0, 500.0, 97)
    gaps = [gap(one) for one in grid]
    crossings = [i for i in range(len(grid) - 1) if gaps[i] >= 0.0 > gaps[i + 1]]
    if not crossings:
        raise ValueError("no white between 2000 and 50000 K renders this camera value as the target")
    first = min(crossings, key=lambda i: abs(grid[i] - 192.0))
    temperature_k = 1e6 / brentq(gap, grid[first], grid[first + 1], xtol=1e-6)
    tint = white_at(temperature_k)[1]
    level = render(profile, camera, temperature_k, tint, 0.0)[1]
    return float(temperature_k), float(tint), float(np.log2(target_xyz[1] / level))


def difference(xyz: np.ndarray, target_xyz: np.ndarray) -> tuple[float, float]:
    """(CIEDE2000 at equal luminance, level difference in EV) of a rendered colour against a target, D50."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    level = float(np.log2(xyz[1] / target_xyz[1]))
    white = D50_XYZ[:2] / D50_XYZ.sum()
    lab = colour.XYZ_to_Lab(np.asarray(xyz) * target_xyz[1] / xyz[1], white)
    return float(colour.delta_E(lab, colour.XYZ_to_Lab(np.asarray(target_xyz), white), method="CIE 2000")), level
