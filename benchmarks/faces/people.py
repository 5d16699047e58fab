"""Identity on the bench: one enrolled face per person, everybody else taken for one of them or left unknown."""

from __future__ import annotations

import numpy as np

from benchmarks.faces.score import Outcome
from xmpsync.solve.likeness import log_likelihood_ratio

SMALLEST_PX = 60
UNKNOWN = -1
SURE = 2.0
"""ln odds over strangers, and over the other persons, from which a face is called known."""


def identity_figures(results: list[Outcome], enrolled: dict[int, tuple[float, ...]]) -> dict[str, float]:
    """Shares of faces of at least 60 px: left unknown (no vector, or nobody enrolled is likely), and taken for another.

    Each face is compared alone with one enrolled face per person: the hardest case, no other frame helps.
    """
    faces = [r for r in results if r.found and r.face_px >= SMALLEST_PX]
    called = [_called(f, enrolled) for f in faces]
    return {
        "faces": float(len(faces)),
        "unknown": float(np.mean([c == UNKNOWN for c in called])),
        "wrong": float(np.mean([c not in (UNKNOWN, f.portrait) for c, f in zip(called, faces, strict=True)])),
    }


def _called(face: Outcome, enrolled: dict[int, tuple[float, ...]]) -> int:
    if face.identity is None or face.identity_sd is None:
        return UNKNOWN
    people = list(enrolled)
    distance = np.linalg.norm(np.array([enrolled[p] for p in people]) - np.array(face.identity), axis=1)
    ratio = log_likelihood_ratio(distance, face.identity_sd, 1.0)
    best = int(ratio.argmax())
    rest = np.logaddexp.reduce([0.0, *np.delete(ratio, best)])
    return people[best] if ratio[best] - rest > SURE else UNKNOWN
