"""Regions, detections and marks become one list of faces; what is not believed is dropped with a word."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import skimage.data

from xmpsync.faces.detector import Detector
from xmpsync.faces.finder import FaceFinder, FinderSettings
from xmpsync.faces.mesh import Mesh
from xmpsync.faces.records import Detection, FoundFace, Mark, Origin, Picture
from xmpsync.records import Box
from xmpsync.skin.records import Region

from .conftest import Portrait

COLLINS_BOX = Box(0.33, 0.08, 0.22, 0.29)  # drawn loosely, with hair


@pytest.fixture(scope="module")
def finder(detector: Detector, mesh: Mesh) -> FaceFinder:
    return FaceFinder(detector, mesh)


@pytest.fixture(scope="module")
def pair(collins: Portrait, hopper: Portrait) -> np.ndarray:
    """Linear picture (512, 1024, 3): Collins left, Hopper right."""
    return np.hstack([collins.linear, hopper.linear[:512]])


def _of(finder: FaceFinder, picture: np.ndarray, **more: object) -> tuple[tuple[FoundFace, ...], tuple[str, ...]]:
    return finder.find(picture, neutral=(1.0, 1.0, 1.0), **more)  # type: ignore[arg-type]


class Narrow(Detector):
    """Sees what it is told at first, and what it is told when the contrast is evened; closely it sees as usual."""

    def __init__(self, first: tuple[Detection, ...], then: tuple[Detection, ...]) -> None:
        super().__init__()
        self.first, self.then, self.asked = first, then, 0

    def look(self, picture: Picture, score: float | None = None) -> tuple[Detection, ...]:
        return self.first

    def plain_look(self, picture: Picture) -> tuple[Detection, ...]:
        self.asked += 1
        return self.then

    def second_looks(self, picture: Picture) -> object:  # type: ignore[override]
        return iter(())


def test_names_come_from_regions_and_ids_run_from_left_to_right(finder: FaceFinder, pair: np.ndarray) -> None:
    regions = [("Grace", Box(0.65, 0.2, 0.2, 0.5)), ("Eileen", Box(0.16, 0.08, 0.12, 0.3))]
    faces, notes = _of(finder, pair, regions=regions)
    assert [(f.face_id, f.name, f.origin) for f in faces] == [
        ("f1", "Eileen", Origin.REGION_AND_DETECTOR),
        ("f2", "Grace", Origin.REGION_AND_DETECTOR),
    ]
    assert notes == ()
    again, _ = _of(finder, pair, regions=regions[::-1])
    assert again == faces


def test_faces_without_regions_are_found_too(finder: FaceFinder, pair: np.ndarray) -> None:
    faces, _ = _of(finder, pair, regions=[("Grace", Box(0.65, 0.2, 0.2, 0.5))])
    assert [(f.name, f.origin) for f in faces] == [(None, Origin.DETECTOR), ("Grace", Origin.REGION_AND_DETECTOR)]
    assert all(len(f.places) == 5 and f.reliable and f.yaw_deg is not None for f in faces)


def test_a_stale_region_is_dropped_with_a_note(finder: FaceFinder, collins: Portrait) -> None:
    faces, notes = _of(finder, collins.linear, regions=[("Nobody", Box(0.72, 0.25, 0.1, 0.12))])
    assert [f.name for f in faces] == [None]
    assert len(notes) == 1 and "Nobody" in notes[0] and "dropped" in notes[0]


def test_a_region_outside_the_picture_is_dropped_with_a_note(finder: FaceFinder, collins: Portrait) -> None:
    _, notes = _of(finder, collins.linear, regions=[(None, Box(1.2, 0.2, 0.1, 0.1))])
    assert len(notes) == 1 and "outside" in notes[0]


def test_a_region_that_the_detector_missed_is_looked_at_closely(mesh: Mesh, collins: Portrait) -> None:
    class Shortsighted(Detector):
        """Sees nothing in whole frames."""

        def look(self, picture: Picture, score: float | None = None) -> tuple[Detection, ...]:
            return super().look(picture, score) if picture.shape[0] < 500 else ()

        def plain_look(self, picture: Picture) -> tuple[Detection, ...]:
            return ()

        def second_looks(self, picture: Picture) -> object:  # type: ignore[override]
            return iter(())

    faces, notes = _of(FaceFinder(Shortsighted(), mesh), collins.linear, regions=[("Eileen", COLLINS_BOX)])
    assert [(f.name, f.origin) for f in faces] == [("Eileen", Origin.REGION_AND_DETECTOR)] and notes == ()
    nose = collins.points[2] / 512
    assert faces[0].box.contains(*nose)
    (nose_place,) = (p for p in faces[0].places if p.region is Region.NOSE)
    assert np.mean(nose_place.polygon, axis=0) == pytest.approx([224 / 512, 115 / 512], abs=0.03)


def test_a_region_on_skin_without_a_face_is_kept_as_a_box(mesh: Mesh, collins: Portrait) -> None:
    faces, _ = _of(FaceFinder(Narrow((), ()), mesh), collins.linear, regions=[("Eileen", COLLINS_BOX)])
    assert [(f.origin, len(f.places), f.yaw_deg) for f in faces] == [(Origin.REGION, 1, None)]


def test_a_weak_detection_that_the_mesh_does_not_believe_is_no_face(mesh: Mesh, collins: Portrait) -> None:
    class Dreamer(Detector):
        def look(self, picture: Picture, score: float | None = None) -> tuple[Detection, ...]:
            points = ((0.4, 0.4), (0.6, 0.4), (0.5, 0.5), (0.42, 0.6), (0.58, 0.6))
            return (Detection(Box(0.3, 0.25, 0.4, 0.5), 0.6, points),)

        def second_looks(self, picture: Picture) -> object:  # type: ignore[override]
            return iter(())

    wall = np.repeat(skimage.data.brick()[..., None], 3, axis=2) / 255.0
    assert _of(FaceFinder(Dreamer(), mesh), wall)[0] == ()


@pytest.mark.parametrize("beside", [0.8, 1.0])
def test_a_false_box_beside_a_face_is_not_confirmed_by_the_face(
    beside: float, detector: Detector, mesh: Mesh, collins: Portrait
) -> None:
    """The mesh moves from the false box onto the face and is then sure: it lies elsewhere, or on the face."""
    (face,) = detector.find(collins.picture)
    step = beside * face.box.width
    false = Detection(
        replace(face.box, left=face.box.left + step),
        0.5,
        tuple((x + step, y) for x, y in face.points),  # type: ignore[arg-type]
    )
    assert mesh.fit(collins.picture, false).score > FinderSettings().mesh_score

    class Dreamer(Detector):
        def look(self, picture: Picture, score: float | None = None) -> tuple[Detection, ...]:
            return (face, false)

    search = FaceFinder(Dreamer(), mesh).search(collins.picture)
    (found,) = search.faces
    assert found.box.iou(face.box) > 0.7 and found.score == face.score


def test_where_a_face_is_does_not_hang_on_which_look_saw_it(detector: Detector, mesh: Mesh, collins: Portrait) -> None:
    """Sure at once in one frame, looked at closely in the next: the detector's own boxes lie apart."""
    (face,) = detector.find(collins.picture)

    class Wandering(Detector):
        seen = face

        def look(self, picture: Picture, score: float | None = None) -> tuple[Detection, ...]:
            return (self.seen,)

    wandering = Wandering()
    finder = FaceFinder(wandering, mesh)
    boxes = []
    for shift, score in ((0.0, 0.9), (0.05, 0.5), (-0.05, 0.9)):
        box = replace(face.box, left=face.box.left + shift * face.box.width)
        points = tuple((x + shift * face.box.width, y) for x, y in face.points)
        wandering.seen = Detection(box, score, points)  # type: ignore[arg-type]
        (found,) = finder.search(collins.picture).faces
        boxes.append(found.box)
    apart = [np.hypot(*(np.array(b.centre) - boxes[0].centre)) / face.box.height for b in boxes[1:]]
    assert max(apart) < 0.015


def test_a_mark_picks_the_face_there_and_names_it(finder: FaceFinder, pair: np.ndarray) -> None:
    faces, _ = _of(finder, pair, hands=[("bride", (0.22, 0.25))])
    assert [(f.name, f.marked) for f in faces] == [("bride", True), (None, False)]


def test_a_mark_beside_any_face_becomes_a_patch(finder: FaceFinder, collins: Portrait) -> None:
    faces, _ = _of(finder, collins.linear, hands=[("hand", (0.1, 0.9)), (None, (0.9, 0.9))])
    assert [(f.face_id, f.name, f.origin) for f in faces[1:]] == [
        ("h1", "hand", Origin.HAND),
        ("h2", None, Origin.HAND),
    ]
    (place,) = faces[1].places
    assert np.mean(place.polygon, axis=0) == pytest.approx([0.1, 0.9], abs=1e-6)


def test_a_box_by_hand_is_used_even_on_a_face(finder: FaceFinder, collins: Portrait) -> None:
    box = Box(0.38, 0.21, 0.03, 0.03)
    search = finder.search(collins.picture, hands=[Mark(0.395, 0.225, "cheek", box)])
    assert search.faces[-1].box == box and search.faces[-1].name == "cheek"


def _two(pair: np.ndarray, detector: Detector) -> tuple[Picture, Detection, Detection]:
    picture = np.asarray(255 * np.clip(pair, 0, 1) ** (1 / 2.2), np.uint8)
    left, right = detector.find(picture)
    return picture, left, right


def test_contrast_is_evened_only_where_nobody_is_seen(detector: Detector, mesh: Mesh, pair: np.ndarray) -> None:
    picture, left, right = _two(pair, detector)
    for first, asked in (((), 1), ((left,), 0)):
        narrow = Narrow(first, (replace(right, score=0.1),))
        search = FaceFinder(narrow, mesh).search(picture)
        assert narrow.asked == asked and len(search.faces) == 1


def test_a_weak_face_counts_sooner_beside_a_sure_one(detector: Detector, mesh: Mesh, pair: np.ndarray) -> None:
    picture, left, right = _two(pair, detector)

    class Doubting(Narrow):
        def closer(self, picture: Picture, candidate: Detection) -> Detection | None:
            return replace(candidate, score=0.2)

    weak = replace(right, score=0.2)
    for first, found in (((left, weak), 2), ((weak,), 0)):
        assert len(FaceFinder(Doubting(first, ()), mesh).search(picture).faces) == found


def test_a_weak_face_that_only_the_last_looks_show_is_none(detector: Detector, mesh: Mesh, pair: np.ndarray) -> None:
    picture, _, right = _two(pair, detector)

    class Last(Narrow):
        def closer(self, picture: Picture, candidate: Detection) -> Detection | None:
            return replace(candidate, score=0.3)

        def second_looks(self, picture: Picture) -> object:  # type: ignore[override]
            return iter([self.last])

    weak = (replace(right, score=0.2),)
    for first, last, found in ((weak, (), 1), ((), weak, 0), ((), (right,), 1)):
        narrow = Last(first, ())
        narrow.last = last
        assert len(FaceFinder(narrow, mesh).search(picture).faces) == found


def test_one_lying_face_shows_that_the_tag_is_wrong_and_the_others_are_looked_for_turned(
    detector: Detector, mesh: Mesh, collins: Portrait, hopper: Portrait
) -> None:
    lying = np.ascontiguousarray(np.rot90(np.hstack([collins.picture, hopper.picture[:512]])))

    class Half(Detector):
        """Sees one of two lying faces, as happens; upright ones as usual."""

        def look(self, picture: Picture, score: float | None = None) -> tuple[Detection, ...]:
            if picture.shape == lying.shape:
                return tuple(d for d in self.turned_look(picture, 3) if d.score > 0.5)[:1]
            return super().look(picture, score)

    search = FaceFinder(Half(), mesh).search(lying)
    assert len(search.faces) == 2
    # turned anticlockwise, the left portrait lies below
    assert [f.box.contains(127 / 512, 1 - 224 / 1024) for f in sorted(search.faces, key=lambda f: -f.box.top)] == [
        True,
        False,
    ]


def test_no_one_in_a_frame_gives_an_empty_list(finder: FaceFinder) -> None:
    assert _of(finder, skimage.data.coffee() / 255.0) == ((), ())


def test_two_weak_boxes_on_one_face_are_one_face(detector: Detector, mesh: Mesh, collins: Portrait) -> None:
    """They overlap too little to be merged at first; the close look moves both onto the face."""
    (face,) = detector.find(collins.picture)
    step = 0.3 * face.box.width
    around = tuple(
        Detection(replace(face.box, left=face.box.left + sign * step, width=0.8 * face.box.width), 0.3, face.points)
        for sign in (-1, 1)
    )
    assert around[0].box.iou(around[1].box) < 0.3
    assert all(detector.closer(collins.picture, one) for one in around)

    class Double(Detector):
        def look(self, picture: Picture, score: float | None = None) -> tuple[Detection, ...]:
            return around

    search = FaceFinder(Double(), mesh).search(collins.picture)
    assert len(search.faces) == 1
