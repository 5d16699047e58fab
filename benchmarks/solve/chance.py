"""Whether a breach of the rule is more than chance: a paired bootstrap over lights.

The faces of one light share their errors, so lights (of all seeds) are drawn with replacement, the same ones for the
solver and for the plain ways (cluster bootstrap, Cameron, Gelbach & Miller 2008, Rev. Econ. Stat. 90, 414).
"""

from __future__ import annotations

import numpy as np

from benchmarks.skin.spectra import Array
from benchmarks.solve.score import Rows

DRAWS = 400
REAL = 0.95
"""Part of the draws that must break the rule, for a breach to be called real."""
COLUMN = {"skin_median_de00": ("de", 50.0), "skin_p95_de00": ("de", 95.0), "level_median_ev": ("ev", 50.0)}


def broken_share(way: list[Rows], plain: list[list[Rows]], name: str, limit: float) -> float:
    """Part of the draws in which figure `name` of a way is worse than the best plain way by more than `limit`.

    One `Rows` for each seed; all ways hold the same faces in the same order.
    """
    column, percent = COLUMN[name]
    tool, others = _joined(way, column), [_joined(p, column) for p in plain]
    lights = np.concatenate([1000 * i + rows["light"] for i, rows in enumerate(way)])
    members = [np.flatnonzero(lights == g) for g in np.unique(lights)]
    rng = np.random.default_rng(1)
    count = 0
    for _ in range(DRAWS):
        rows = np.concatenate([members[g] for g in rng.integers(len(members), size=len(members))])
        best = min(np.percentile(p[rows], percent) for p in others)
        count += np.percentile(tool[rows], percent) - best > limit
    return count / DRAWS


def _joined(rows: list[Rows], column: str) -> Array:
    return np.concatenate([r[column] for r in rows])
