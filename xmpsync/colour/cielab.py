"""CIELAB and CIEDE2000 (ISO/CIE 11664-4 and 11664-6), and how far skin is off.

CIEDE2000 is written out here after Sharma, Wu & Dalal (2005), "The CIEDE2000 color-difference formula: implementation
notes, supplementary test data, and mathematical observations", Color Res. Appl. 30, 21, equations 2 to 22, because
colour-science costs more than a second to import and the solver and every worker need this function. It is checked
against their 34 pairs and against colour-science.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from xmpsync.colour.adaptation import XYZ_D50
from xmpsync.colour.arrays import FloatArray

_EPSILON = 216.0 / 24389.0
_KAPPA = 24389.0 / 27.0
_C25_7 = 25.0**7


def lab_from_xyz_d50(xyz: npt.ArrayLike) -> FloatArray:
    """CIELAB (..., 3) with the D50 white of XYZ (..., 3), white at Y = 1."""
    t = np.asarray(xyz, float) / XYZ_D50
    f = np.where(t > _EPSILON, np.cbrt(t), (_KAPPA * t + 16.0) / 116.0)
    fx, fy, fz = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116.0 * fy - 16.0, 500.0 * (fx - fy), 200.0 * (fy - fz)], axis=-1)


def xyz_d50_from_lab(lab: npt.ArrayLike) -> FloatArray:
    """XYZ (..., 3), white at Y = 1, of CIELAB (..., 3) with the D50 white."""
    lab = np.asarray(lab, float)
    fy = (lab[..., 0] + 16.0) / 116.0
    f = np.stack([fy + lab[..., 1] / 500.0, fy, fy - lab[..., 2] / 200.0], axis=-1)
    return np.where(f**3 > _EPSILON, f**3, (116.0 * f - 16.0) / _KAPPA) * XYZ_D50


def delta_e00(lab_1: npt.ArrayLike, lab_2: npt.ArrayLike) -> FloatArray:
    """CIEDE2000 (...) of CIELAB colours (..., 3), kL = kC = kH = 1; the leading axes broadcast."""
    lab_1, lab_2 = np.asarray(lab_1, float), np.asarray(lab_2, float)
    l_1, a_1, b_1 = lab_1[..., 0], lab_1[..., 1], lab_1[..., 2]
    l_2, a_2, b_2 = lab_2[..., 0], lab_2[..., 1], lab_2[..., 2]
    c_mean_7 = (0.5 * (np.hypot(a_1, b_1) + np.hypot(a_2, b_2))) ** 7
    g = 0.5 * (1.0 - np.sqrt(c_mean_7 / (c_mean_7 + _C25_7)))
    a_1, a_2 = (1.0 + g) * a_1, (1.0 + g) * a_2
    c_1, c_2 = np.hypot(a_1, b_1), np.hypot(a_2, b_2)
    h_1, h_2 = np.degrees(np.arctan2(b_1, a_1)) % 360.0, np.degrees(np.arctan2(b_2, a_2)) % 360.0
    chromatic = c_1 * c_2 != 0.0

    d_l, d_c = l_2 - l_1, c_2 - c_1
    d_h_angle = np.where(chromatic, (h_2 - h_1 + 180.0) % 360.0 - 180.0, 0.0)
    # (x + 180) % 360 - 180 sends +180 to -180; only the sign of d_h changes, and with it that of the rotation term.
    d_h_angle = np.where(chromatic & (h_2 - h_1 == 180.0), 180.0, d_h_angle)
    d_h = 2.0 * np.sqrt(c_1 * c_2) * np.sin(np.radians(0.5 * d_h_angle))

    l_mean, c_mean = 0.5 * (l_1 + l_2), 0.5 * (c_1 + c_2)
    far = np.abs(h_1 - h_2) > 180.0
    h_mean = np.where(far, 0.5 * (h_1 + h_2 + np.where(h_1 + h_2 < 360.0, 360.0, -360.0)), 0.5 * (h_1 + h_2))
    h_mean = np.where(chromatic, h_mean, h_1 + h_2)
    t = (
        1.0
        - 0.17 * np.cos(np.radians(h_mean - 30.0))
        + 0.24 * np.cos(np.radians(2.0 * h_mean))
        + 0.32 * np.cos(np.radians(3.0 * h_mean + 6.0))
        - 0.20 * np.cos(np.radians(4.0 * h_mean - 63.0))
    )
    d_theta = 30.0 * np.exp(-(((h_mean - 275.0) / 25.0) ** 2))
    c_mean_7 = c_mean**7
    r_t = -np.sin(np.radians(2.0 * d_theta)) * 2.0 * np.sqrt(c_mean_7 / (c_mean_7 + _C25_7))
    s_l = 1.0 + 0.015 * (l_mean - 50.0) ** 2 / np.sqrt(20.0 + (l_mean - 50.0) ** 2)
    s_c = 1.0 + 0.045 * c_mean
    s_h = 1.0 + 0.015 * c_mean * t
    l, c, h = d_l / s_l, d_c / s_c, d_h / s_h
    return np.asarray(np.sqrt(np.maximum(l * l + c * c + h * h + r_t * c * h, 0.0)))


def skin_difference(xyz_frame: npt.ArrayLike, xyz_reference: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """How far skin is off: CIEDE2000 at equal luminance, and the level in EV before that scaling, each (...).

    `xyz_frame` (..., 3), XYZ D50, is scaled to the luminance of `xyz_reference`; the level is log2 of the ratio of
    their Y, positive where the frame is brighter. NaN where a luminance is not positive.
    """
    frame, reference = np.asarray(xyz_frame, float), np.asarray(xyz_reference, float)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = frame[..., 1] / reference[..., 1]
        ratio = np.where((frame[..., 1] > 0) & (reference[..., 1] > 0), ratio, np.nan)
        scaled = frame / ratio[..., None]
        return delta_e00(lab_from_xyz_d50(scaled), lab_from_xyz_d50(reference)), np.log2(ratio)
