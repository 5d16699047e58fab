"""Identity on the bench: one enrolled face per person, everybody else linked to it or left unknown."""

from __future__ import annotations

import numpy as np

from benchmarks.faces.score import Outcome
from xmpsync.faces.identity import UNKNOWN, link

SMALLEST_PX = 60


def identity_figures(results: list[Outcome], enrolled: dict[int, tuple[float, ...]]) -> dict[str, float]:
    """Shares of faces of at least 60 px: left unknown (no vector, or linked to nobody enrolled), and labelled wrongly.

    Each face is linked alone with the enrolled ones: the hardest case, no other frame helps. `pooled_*`: all together.
    """
    faces = [r for r in results if r.found and r.face_px >= SMALLEST_PX]
    names = [str(p) for p in enrolled]
    alone = [_label(link([*enrolled.values(), f.identity], names=[*names, None]), len(names)) for f in faces]
    labels = link([*enrolled.values(), *(f.identity for f in faces)], names=[*names, *(None for _ in faces)])
    pooled = [label if label < len(names) else UNKNOWN for label in labels[len(names) :]]
    people = list(enrolled)
    truth = [people.index(f.portrait) for f in faces]
    return {
        "faces": float(len(faces)),
        "unknown": float(np.mean([a == UNKNOWN for a in alone])),
        "wrong": float(np.mean([a not in (UNKNOWN, t) for a, t in zip(alone, truth, strict=True)])),
        "pooled_unknown": float(np.mean([p == UNKNOWN for p in pooled])),
        "pooled_wrong": float(np.mean([p not in (UNKNOWN, t) for p, t in zip(pooled, truth, strict=True)])),
    }


def _label(labels: tuple[int, ...], enrolled: int) -> int:
    return labels[-1] if 0 <= labels[-1] < enrolled else UNKNOWN
