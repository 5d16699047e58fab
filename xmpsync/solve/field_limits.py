"""What may be written: changes too large to be meant, the ranges of the fields, rounding."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.records import EXPOSURE_RANGE_EV, TINT_RANGE, rounded
from xmpsync.solve.settings import MIRED_RANGE, SolveSettings
from xmpsync.solve.tables import BoolArray, IntArray, Table


@dataclass(frozen=True, slots=True, eq=False)
class Limited:
    """`theta` (F, 3) as written (rounded, in range); frames whose exposure was taken from the group (`large`), that
    needed clamping, and that newly clip highlights. `nudge` (F, 3): what of it was added by hand."""

    theta: FloatArray
    large: BoolArray
    clamped: BoolArray
    highlights: BoolArray
    nudge: FloatArray


def limited(
    table: Table, group: IntArray, theta: FloatArray, light: FloatArray, nudge: FloatArray, s: SolveSettings
) -> Limited:
    """Corrections that may be written, from the solved ones, each frame's light alone, and nudges by hand (F, 3).

    Nudges are meant: they come after the rule for changes too large to be meant.
    """
    out = theta.copy()
    large = _large(table, group, out, light, s) & ~table.fixed
    behind = theta[:, 2] - light[:, 2]
    with_face = _with_face(table)
    for i in np.flatnonzero(large):
        out[i, 2] = _groups_exposure(table, group, int(i), theta, light, behind, with_face, large, s)
    out = out + nudge
    low, high = np.array([MIRED_RANGE, TINT_RANGE, EXPOSURE_RANGE_EV]).T
    clamped = ((out < low - 0.01) | (out > high + 0.01)).any(axis=1) & ~table.fixed
    kelvin = 1e6 / np.clip(out[:, 0], *MIRED_RANGE)
    written = rounded(np.stack([kelvin, out[:, 1], out[:, 2]], axis=1))
    written[:, 0] = 1e6 / written[:, 0]
    out = np.where(table.fixed[:, None], table.baseline, written)
    return Limited(out, large, clamped, _clips(table, out, s) & ~table.fixed, nudge)


def _groups_exposure(
    table: Table,
    group: IntArray,
    row: int,
    theta: FloatArray,
    light: FloatArray,
    behind: FloatArray,
    with_face: BoolArray,
    large: BoolArray,
    s: SolveSettings,
) -> float:
    """Exposure of a frame whose change is too large to be meant: its group's, through the camera's settings.

    The group's level is that of the faces of its other frames, those of usual change first (`behind`: frames around
    their light). Where the frame agrees with it, the whole group is that dark, and the frame's own exposure stands.
    """
    mates = (group == group[row]) & with_face
    mates[row] = False
    usual = mates & ~large
    mates = usual if usual.any() else mates
    if not mates.any():
        return float(table.baseline[row, 2])
    level = float(light[row, 2] + np.median(behind[mates]))
    return float(theta[row, 2]) if abs(theta[row, 2] - level) <= s.agreeing_ev else level


def _with_face(table: Table) -> BoolArray:
    out = np.zeros(table.n_frames, dtype=bool)
    out[table.face_frame] = True
    return out


def _large(table: Table, group: IntArray, theta: FloatArray, light: FloatArray, s: SolveSettings) -> BoolArray:
    """A change of exposure over the limit, or a face far darker than its group before a bright background."""
    change = np.abs(theta[:, 2] - table.baseline[:, 2]) > s.large_ev
    darker = _with_face(table) & (theta[:, 2] - light[:, 2] > s.dark_face_ev)
    bright = np.array([_bright_background(table, i, theta[i, 2], s) for i in range(table.n_frames)], dtype=bool)
    return np.asarray(change | (darker & bright))


def _bright_background(table: Table, row: int, exposure_ev: float, s: SolveSettings) -> bool:
    """The upper part of the picture would be at white or above after the correction."""
    percentiles = table.frames[row].scene.green_percentiles
    if len(percentiles) < 5 or percentiles[4] <= 0:
        return False
    return bool(np.log2(percentiles[4]) + exposure_ev + table.baseline_exposure[row] > s.bright_background_ev)


def _clips(table: Table, theta: FloatArray, s: SolveSettings) -> BoolArray:
    """Frames (F,) that newly clip over `highlights_fraction` of the picture, or a marked neutral."""
    out = np.zeros(table.n_frames, dtype=bool)
    for i, frame in enumerate(table.frames):
        before = 2.0 ** (table.baseline[i, 2] + table.baseline_exposure[i])
        after = 2.0 ** (theta[i, 2] + table.baseline_exposure[i])
        if after <= before:
            continue
        channel = frame.scene.channel_max_percentiles
        levels = [channel[1]] if len(channel) >= 2 else []
        levels += [max(n.camera) for n in frame.neutrals]
        out[i] = any(level * before <= 1.0 < level * after for level in levels)
    return out
