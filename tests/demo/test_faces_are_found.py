"""The detector and mesh that the tool ships find every drawn face, and none where nobody is."""

from __future__ import annotations

import pytest

from demo_shoot.event import make_frame
from demo_shoot.shots import SHOTS
from xmpsync.faces.finder import FaceFinder
from xmpsync.records import Box

QUICK = (0, 1, 7, 13, 22, 26, 34, 37)
"""The hard ones: nobody, the group of six, shade, backlight, tubes, coloured stage, candles, dusk."""
REST = tuple(index for index in range(len(SHOTS)) if index not in QUICK)


@pytest.fixture(scope="module")
def finder() -> FaceFinder:
    return FaceFinder()


def _check(finder: FaceFinder, index: int) -> None:
    made = make_frame(index, 1)
    red, green, blue = made.as_shot_neutral
    found, _ = finder.find(made.linear, neutral=(float(red), float(green), float(blue)))
    expected = [Box(*face.box) for face in made.faces]
    assert len(found) == len(expected), f"{made.name}: {len(found)} faces found, {len(expected)} drawn"
    for box, face in zip(expected, made.faces, strict=True):
        best = max(found, key=lambda f: f.box.iou(box))
        # detectors draw boxes tighter or looser than ours: hairline to chin, temple to temple
        assert best.box.iou(box) > 0.5, f"{made.name}: {face.name}"


@pytest.mark.parametrize("index", QUICK)
def test_every_drawn_face_is_found_and_nothing_else(finder: FaceFinder, index: int) -> None:
    _check(finder, index)


@pytest.mark.long
@pytest.mark.parametrize("index", REST)
def test_every_other_drawn_face_is_found_too(finder: FaceFinder, index: int) -> None:
    _check(finder, index)
