"""Faces that may carry a broad gloss are less sure: their regions against those of the same person's reference.

One picture cannot show it (`skin.compare`), two of one person can. A person without a reference face is compared with
what their faces have in common. Faces that are not surely somebody's stay as they were measured.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.camera import neutral_from_white
from xmpsync.skin.compare import hidden_gloss, mean_pattern, patterns
from xmpsync.skin.settings import SkinSettings
from xmpsync.solve.reference import PersonTarget
from xmpsync.solve.tables import Table

SURE = 0.9
"""Probability from which a face is compared with a person's others."""
ENOUGH = 4
"""Sure faces of a person without a reference from which they have something in common."""


def doubted(table: Table, targets: tuple[PersonTarget, ...], r: FloatArray) -> Table:
    """The table with the covariance by hidden gloss added; `r` (N, P + 1): who is who, referenced persons first."""
    seen = patterns(tuple(face.skin for face in table.faces if face.skin))
    covariance = table.face_log_covariance.copy()
    light = _lights(table)
    for person in range(r.shape[1] - 1):
        rows = np.flatnonzero(r[:, person] > SURE)
        own = targets[person].faces if person < len(targets) else ()
        of = np.array(own, dtype=np.intp) if own else rows
        if not len(rows) or not (own or len(rows) >= ENOUGH):
            continue
        covariance[rows] += hidden_gloss(seen.of(rows), table.face_camera[rows], light[rows], mean_pattern(seen, of))
    return replace(table, face_log_covariance=covariance)


def _lights(table: Table) -> FloatArray:
    """Camera colour (N, 3) of white in each face's frame, as shot; that of daylight where it is not known."""
    light = np.tile(np.array(SkinSettings().light_prior), (table.n_faces, 1))
    known = table.as_shot_known[table.face_frame]
    for k, profile in enumerate(table.profiles):
        rows = np.flatnonzero(known & (table.face_profile == k))
        mired, tint = table.as_shot[table.face_frame[rows], :2].T
        light[rows] = neutral_from_white(profile, 1e6 / mired, tint)
    return light
