"""What is asked for beside exact skin: strength per light group, the blend towards white neutrals, nudges by hand."""

from __future__ import annotations

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.camera import mired_tint_from_neutral
from xmpsync.solve.problem import Nudge, Request
from xmpsync.solve.tables import BoolArray, IntArray, Table, members


def group_strengths(request: Request, table: Table, group: IntArray) -> tuple[FloatArray, tuple[str, ...]]:
    """Strength (G,) of every light group, and notes. A group that holds a fixed frame keeps full strength.

    A reference or held frame does not move, so neither may its neighbours: the evenness inside a group comes first.
    """
    n_groups = int(group.max(initial=-1)) + 1
    strength = np.full(n_groups, float(request.strength))
    notes = []
    for wish in request.group_strengths:
        row = table.index_of(wish.frame_id)
        if row is None:
            notes.append(f"strength for {wish.frame_id}: no such frame, ignored")
        else:
            strength[group[row]] = wish.strength
    fixed = np.zeros(n_groups, dtype=bool)
    fixed[group[table.fixed]] = True
    for g in np.flatnonzero(fixed & (strength != 1.0)):
        frame = table.frames[int(np.flatnonzero((group == g) & table.fixed)[0])].frame_id
        notes.append(f"the light group of {frame} keeps full strength, because that frame does not move")
    return np.where(fixed, 1.0, strength), tuple(notes)


def with_strength(table: Table, group: IntArray, theta: FloatArray, strength: FloatArray) -> FloatArray:
    """theta (F, 3) with each group's middle moved to `strength` of the way from its as-shot middle; evenness kept."""
    out = theta.copy()
    rows_of = members(group, len(strength))
    for g in np.flatnonzero(strength != 1.0):
        rows = rows_of[g]
        as_shot = np.median(table.as_shot[rows] * np.array([1.0, 1.0, 0.0]), axis=0)
        out[rows] += (1.0 - strength[g]) * (as_shot - np.median(theta[rows], axis=0))
    return out


def neutral_whites(table: Table) -> FloatArray:
    """Mired and tint (F, 2) that make a frame's neutral patches white; NaN without patches or outside all whites."""
    out = np.full((table.n_frames, 2), np.nan)
    for i, frame in enumerate(table.frames):
        if frame.neutrals:
            camera = np.array([n.camera for n in frame.neutrals])
            mired, tint = mired_tint_from_neutral(frame.profile, camera)
            good = np.isfinite(mired + tint)
            if good.any():
                out[i] = np.median(mired[good]), np.median(tint[good])
    return out


def with_neutrals(
    table: Table, group: IntArray, theta: FloatArray, whites: FloatArray, weight: float, free: BoolArray
) -> FloatArray:
    """theta (F, 3) with mired and tint moved by `weight` of the way to white neutrals, evenly in each light group.

    A group moves by the median of what its frames with patches ask for; frames with patches of their own move by that
    of their own.
    """
    out = theta.copy()
    asked = whites - theta[:, :2]
    for rows in members(group, int(group.max(initial=-1)) + 1):
        known = rows[np.isfinite(asked[rows, 0])]
        if len(known):
            out[rows, :2] += weight * np.median(asked[known], axis=0)
            out[known, :2] += weight * (asked[known] - np.median(asked[known], axis=0))
    return np.where(free[:, None], out, theta)


def nudges(table: Table, group: IntArray, wishes: tuple[Nudge, ...]) -> tuple[FloatArray, tuple[str, ...]]:
    """What is added by hand to theta (F, 3), zero where nothing is, and notes. Several for one frame add up.

    Fixed frames (references, held ones) do not move; neither does a frame of unknown white that has no answer.
    """
    out = np.zeros((table.n_frames, 3))
    notes = []
    for wish in wishes:
        row = table.index_of(wish.frame_id)
        if row is None:
            notes.append(f"nudge of {wish.frame_id}: no such frame, ignored")
            continue
        rows = group == group[row] if wish.whole_light else np.array([row])
        out[rows] += np.array([-wish.warmer_mired, wish.tint, wish.exposure_ev])
    out[table.fixed] = 0.0
    return out, tuple(notes)
