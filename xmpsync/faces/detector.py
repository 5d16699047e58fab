"""Faces in a picture, with five points each, by the shipped CenterFace model.

The network (Xu et al., "CenterFace: Joint Face Detection and Alignment Using Face as Point", 2020) answers at stride 4
with a heat map, log box sizes, centre offsets and five points. It sees faces of about 12 to 500 pixels, so the picture
goes in at a second, smaller size where the first shows no sure face or a large one, and the answers are merged so that
a whole face wins over its parts. What may be a face is looked at again closely: cut out and brought to the size at
which the network is best. Where nothing is found: a larger size for small faces, then the picture turned, for frames
whose orientation tag is wrong, unless no heat at all was seen. The network is stored in 8 bits.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import chain
from typing import Any

import numpy as np
import numpy.typing as npt

from xmpsync.faces import runtime
from xmpsync.faces.pixels import calmed, cut, fitted, resized, stretched, turned, unturned_points
from xmpsync.faces.records import Detection, FivePoints, Picture
from xmpsync.records import Box

STRIDE = 4
PAD = 32
CALM_PX = 0.8
"""Blur (sigma, picture pixels) of the calmed close looks: noise goes, a face of 24 pixels stays."""


@dataclass(frozen=True, slots=True)
class DetectorSettings:
    """Thresholds of detection. Scores and IoU are 0..1, sizes are pixels of the longer picture side."""

    long_side: int = 1024
    """Finds faces down to 16-24 px."""
    large_faces_long_side: int = 384
    """Finds those that fill the frame; 512 shows parts of them instead."""
    sure: float = 0.72
    """The smaller size is looked at where nothing reaches this score ..."""
    tall: float = 0.35
    """... or where a face is taller than this part of the frame (it may be a part of a larger one)."""
    small_faces_long_side: int = 1600
    """At most so large a picture is looked at when nothing was found at the usual sizes ..."""
    worth_enlarging: float = 1.2
    """... if it holds this much more detail than they show."""
    turn_long_side: int = 512
    """Turned pictures are the last resort: each way so small, then the likeliest way at the usual sizes ..."""
    turn_score: float = 0.12
    """... if something there reaches this heat."""
    no_heat: float = 0.05
    """Where no heat reaches this, a turned picture shows nothing either: 17 of 17 lying faces had 0.07 or more."""
    score: float = 0.06
    """Heat at which something may be a face: so low because each is then looked at closely (of small, dark or veiled
    faces on the bench 99 % reach it, 92 % reach 0.22)."""
    most: int = 32
    """Candidates below `sure` that are looked at closely, best first."""
    score_alone: float = 0.4
    """The same for `find`, where nobody else judges."""
    close_px: float = 66.0
    """Height of the face in the first close look: small faces are not enlarged much, which would show their noise, and
    the look stays cheap (160 x 160 pixels, a thirtieth of the whole)."""
    close_again_px: float = 52.0
    """Height in the three others: mirrored; calmed, its contrast stretched; and that mirrored. What is a face is one
    there too, what looks like one by chance seldom is."""
    close_nothing: float = 0.04
    """Less than this in the first close look, and no other is taken: of 212 weak true faces none that counts had less,
    three in four false candidates have."""
    close_enough: float = 0.5
    """So much in the first, and no other is taken: no false candidate of 520 had so much."""
    close_reach: float = 2.4
    """Side of the close look over the face's longer side."""
    close_iou: float = 0.3
    """A face seen in the close look is the candidate when it overlaps it so much."""
    overlap_iou: float = 0.3
    """Two boxes that overlap more are one face."""
    inside: float = 0.6
    """A box of which so much lies inside a better one is a part of that face (eye and mouth of a huge face)."""
    whole_score: float = 0.5
    """A box this sure wins over better ones that lie inside it ..."""
    whole_area: float = 3.0
    """... when it is so many times larger: otherwise the two are one face seen twice, and the better score wins."""


class Detector:
    """CenterFace, loaded at the first picture. One per process; `threads` for onnxruntime."""

    def __init__(self, threads: int = 1, settings: DetectorSettings | None = None) -> None:
        self._threads = threads
        self._settings = settings or DetectorSettings()
        self._session: Any = None

    def find(self, picture: Picture) -> tuple[Detection, ...]:
        """The faces of an upright picture, from left to right; where none is seen, after the extra looks too.

        On the detector's word alone: only what reaches `score_alone`.
        """
        least = self._settings.score_alone
        for seen in chain((self.look(picture),), self.second_looks(picture)):
            found = tuple(d for d in seen if d.score >= least)
            if found:
                return found
        return ()

    def look(self, picture: Picture, score: float | None = None) -> tuple[Detection, ...]:
        """What may be faces at the usual sizes, from left to right: candidates down to a low score."""
        s = self._settings
        threshold = s.score if score is None else score
        seen = self._pass(picture, s.long_side, threshold)
        if all(d.score < s.sure for d in seen) or any(d.box.height > s.tall for d in seen):
            seen += self._pass(picture, s.large_faces_long_side, threshold)
        return self.merged(seen)

    def plain_look(self, picture: Picture) -> tuple[Detection, ...]:
        """What may be faces of the usual sizes, in one pass: huge faces are not looked for again."""
        return self.merged(self._pass(picture, self._settings.long_side, self._settings.score))

    def closer(self, picture: Picture, candidate: Detection) -> Detection | None:
        """The candidate as close looks show it; None where the first shows nothing. `score`: what the first shows where
        it is sure, else the mean of four.

        A candidate seen in a turned picture is turned for it; box and points are those of the picture as it is.
        """
        s, box = self._settings, candidate.box
        height, width = picture.shape[:2]
        side = s.close_reach * max(box.width * width, box.height * height)
        x, y = box.centre
        part, covered = cut(picture, Box(x - side / width / 2, y - side / height / 2, side / width, side / height))
        zooms = [px / max(box.height * height, 1.0) for px in (s.close_px, s.close_again_px)]
        inside = Box(
            (box.left - covered.left) / covered.width,
            (box.top - covered.top) / covered.height,
            box.width / covered.width,
            box.height / covered.height,
        )
        first = self._near(part, inside, zooms[0], candidate.turn)
        if first is None or first.score < s.close_nothing:
            return None
        looks: list[Detection | None] = [first]
        if first.score < s.close_enough:
            beside = replace(inside, left=1.0 - inside.left - inside.width)
            clear = stretched(calmed(part, CALM_PX), inside)
            looks += [
                self._near(part[:, ::-1], beside, zooms[1], -candidate.turn),
                self._near(clear, inside, zooms[1], candidate.turn),
                self._near(clear[:, ::-1], beside, zooms[1], -candidate.turn),
            ]
        score = sum(look.score for look in looks if look) / len(looks)
        return moved(replace(first, score=score, turn=candidate.turn), covered)

    def _near(self, part: Picture, inside: Box, zoom: float, turn: int) -> Detection | None:
        """The surest face of a part of the picture that overlaps `inside`, looked at so much enlarged."""
        s = self._settings
        size = (max(PAD, round(part.shape[1] * zoom)), max(PAD, round(part.shape[0] * zoom)))
        close = turned(resized(part, *size), turn % 4)
        seen = self._pass(close, max(close.shape[:2]), s.close_nothing)
        near = [_unturned(d, turn % 4) if turn else d for d in seen]
        return max((d for d in near if d.box.iou(inside) >= s.close_iou), key=lambda d: d.score, default=None)

    def turned_look(self, picture: Picture, turn: int) -> tuple[Detection, ...]:
        """`look` at the picture turned anticlockwise by quarter turns; boxes and points are of the picture as it is."""
        return tuple(_unturned(d, turn) for d in self.look(turned(picture, turn)))

    def second_looks(self, picture: Picture) -> Iterator[tuple[Detection, ...]]:
        """Candidates in a picture where `look` saw no face: first seen larger, then the picture turned."""
        s = self._settings
        long_side = max(picture.shape[:2])
        if long_side > s.worth_enlarging * s.long_side:
            yield self.merged(self._pass(picture, min(long_side, s.small_faces_long_side), s.score))
        if not self._pass(picture, s.turn_long_side, s.no_heat):
            return
        small = fitted(picture, s.turn_long_side)
        heats = {t: [d.score for d in self._pass(turned(small, t), s.turn_long_side, s.turn_score)] for t in (1, 2, 3)}
        turn = max(heats, key=lambda t: sum(heats[t]))
        if heats[turn]:
            yield self.turned_look(picture, turn)

    def _pass(self, picture: Picture, long_side: int, threshold: float) -> list[Detection]:
        small = fitted(picture, long_side)
        height, width = small.shape[:2]
        padded = np.zeros((1, 3, -(-height // PAD) * PAD, -(-width // PAD) * PAD), np.float32)
        padded[0, :, :height, :width] = small.transpose(2, 0, 1)
        if self._session is None:
            self._session = runtime.session(runtime.DETECTOR_MODEL, self._threads)
        outputs = self._session.run(None, {self._session.get_inputs()[0].name: padded})
        heat, scale, offset, marks = (np.asarray(o)[0] for o in outputs)
        return _decoded(heat, scale, offset, marks, width, height, threshold, self._settings.overlap_iou)

    def merged(self, seen: list[Detection]) -> tuple[Detection, ...]:
        """Each face once, from left to right: the whole over its parts, else the surer box; not too many weak ones."""
        s = self._settings
        wholes = [d for d in seen if d.score >= s.whole_score]
        seen = [d for d in seen if not any(self._is_part(d, whole) for whole in wholes)]
        kept: list[Detection] = []
        for detection in sorted(seen, key=lambda d: (-d.score, d.box.left, d.box.top)):
            if all(
                detection.box.iou(k.box) <= s.overlap_iou and _part_inside(detection.box, k.box) <= s.inside
                for k in kept
            ):
                kept.append(detection)
        weak = [d for d in kept if d.score < s.sure]
        kept = [d for d in kept if d.score >= s.sure] + weak[: s.most]
        return tuple(sorted(kept, key=lambda d: (d.box.centre, d.score)))

    def _is_part(self, detection: Detection, whole: Detection) -> bool:
        s, a, b = self._settings, detection.box, whole.box
        larger = b.width * b.height > s.whole_area * a.width * a.height
        return larger and _part_inside(a, b) > s.inside


def _decoded(
    heat: npt.NDArray[np.float32],
    scale: npt.NDArray[np.float32],
    offset: npt.NDArray[np.float32],
    landmarks: npt.NDArray[np.float32],
    width: int,
    height: int,
    threshold: float,
    overlap_iou: float,
) -> list[Detection]:
    """Detections in fractions of a `width` x `height` picture from the four maps (channels, rows, columns)."""
    rows, columns = np.nonzero((heat[0] > threshold) & _peaks(heat[0]))
    order = np.argsort(-heat[0, rows, columns], kind="stable")
    found: list[Detection] = []
    for row, column in zip(rows[order], columns[order], strict=True):
        size_y, size_x = np.exp(scale[:, row, column].astype(np.float64)) * STRIDE
        centre_y, centre_x = (np.array([row, column]) + offset[:, row, column] + 0.5) * STRIDE
        left, top = centre_x - size_x / 2, centre_y - size_y / 2
        box = Box(float(left / width), float(top / height), float(size_x / width), float(size_y / height))
        if any(box.iou(f.box) > overlap_iou for f in found):
            continue
        yx = landmarks[:, row, column].astype(np.float64).reshape(5, 2)
        x, y = (left + yx[:, 1] * size_x) / width, (top + yx[:, 0] * size_y) / height
        found.append(Detection(box, float(heat[0, row, column]), five_points(np.stack([x, y], axis=-1))))
    return found


def _peaks(heat: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
    """Where a value is the largest of the nine around it."""
    rows, columns = heat.shape
    framed = np.pad(heat, 1, constant_values=-np.inf)
    around = [framed[i : i + rows, j : j + columns] for i in range(3) for j in range(3)]
    return np.asarray(heat >= np.maximum.reduce(around))


def moved(detection: Detection, covered: Box) -> Detection:
    """A detection in a part of the picture, in fractions of the whole."""
    box = detection.box
    whole = Box(
        covered.left + box.left * covered.width,
        covered.top + box.top * covered.height,
        box.width * covered.width,
        box.height * covered.height,
    )
    points = np.array(detection.points) * (covered.width, covered.height) + (covered.left, covered.top)
    return replace(detection, box=whole, points=five_points(points))


def five_points(points: npt.NDArray[np.float64]) -> FivePoints:
    """(5, 2) as a tuple of pairs."""
    a, b, c, d, e = ((float(x), float(y)) for x, y in points)
    return a, b, c, d, e


def _unturned(detection: Detection, turn: int) -> Detection:
    box = detection.box
    corners = np.array([[box.left, box.top], [box.left + box.width, box.top + box.height]])
    (x0, y0), (x1, y1) = unturned_points(corners, turn)
    back = Box(float(min(x0, x1)), float(min(y0, y1)), float(abs(x1 - x0)), float(abs(y1 - y0)))
    return Detection(back, detection.score, five_points(unturned_points(np.array(detection.points), turn)), turn)


def _part_inside(box: Box, other: Box) -> float:
    """How much of `box` lies inside `other`, 0..1."""
    width = min(box.left + box.width, other.left + other.width) - max(box.left, other.left)
    height = min(box.top + box.height, other.top + other.height) - max(box.top, other.top)
    area = box.width * box.height
    return max(0.0, width) * max(0.0, height) / area if area > 0 else 0.0
