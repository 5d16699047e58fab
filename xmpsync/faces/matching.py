"""Which boxes frame one face, and which face a mark points at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from xmpsync.records import Box


@dataclass(frozen=True, slots=True)
class MatchSettings:
    """When two boxes are one face."""

    same_iou: float = 0.25
    """Region and detection overlapping this much (IoU) are one face; regions often take in hair and neck."""
    same_size: float = 3.0
    """With centres inside each other, their areas may differ by this factor."""
    mark_reach: float = 0.35
    """A mark picks a face whose box, grown by this part of its sides, holds the point."""


def same_face(a: Box, b: Box, s: MatchSettings) -> bool:
    """Whether two boxes frame one face."""
    if a.iou(b) >= s.same_iou:
        return True
    sizes = sorted((a.width * a.height, b.width * b.height))
    return a.contains(*b.centre) and b.contains(*a.centre) and sizes[1] <= s.same_size * sizes[0]


def paired(detections: Sequence[Box], regions: Sequence[Box], s: MatchSettings) -> dict[int, int]:
    """Region number -> detection number, best overlap first, each used once."""
    candidates = sorted(
        (
            (-d.iou(r), _apart(d, r), i, j)
            for i, r in enumerate(regions)
            for j, d in enumerate(detections)
            if same_face(d, r, s)
        ),
    )
    pairs: dict[int, int] = {}
    for _, _, i, j in candidates:
        if i not in pairs and j not in pairs.values():
            pairs[i] = j
    return pairs


def _apart(a: Box, b: Box) -> float:
    return float(np.hypot(a.centre[0] - b.centre[0], a.centre[1] - b.centre[1]))


def is_taken(box: Box, others: Sequence[Box], s: MatchSettings) -> bool:
    return any(same_face(box, other, s) for other in others)


def grown(box: Box, by: float) -> Box:
    return Box(
        box.left - by * box.width / 2, box.top - by * box.height / 2, box.width * (1 + by), box.height * (1 + by)
    )


def marked_face(x: float, y: float, faces: Sequence[Box], s: MatchSettings) -> int | None:
    """The number of the face that a mark picks: the nearest whose grown box holds the point."""
    near = []
    for i, box in enumerate(faces):
        if grown(box, s.mark_reach).contains(x, y):
            centre = box.centre
            near.append((((x - centre[0]) / box.width) ** 2 + ((y - centre[1]) / box.height) ** 2, i))
    return min(near)[1] if near else None
