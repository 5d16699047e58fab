"""The detector finds faces where a person sees them, at both sizes and in turned pictures, and nowhere else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import skimage.data

from xmpsync.faces.detector import Detector, DetectorSettings
from xmpsync.faces.pixels import resized
from xmpsync.faces.records import Detection
from xmpsync.records import Box

from .conftest import Portrait


def _points(detection: Detection, picture: np.ndarray) -> np.ndarray:
    return np.array(detection.points) * (picture.shape[1], picture.shape[0])


def test_five_points_lie_where_they_were_read_by_eye(collins: Portrait, hopper: Portrait, detector: Detector) -> None:
    for portrait in (collins, hopper, collins.mirrored()):
        (face,) = detector.find(portrait.picture)
        apart = np.hypot(*(_points(face, portrait.picture) - portrait.points).T)
        assert apart.max() < 0.08 * portrait.face_px  # 8-bit weights: 0.073 at worst, 0.06 with 16-bit ones


def test_several_faces_come_from_left_to_right(collins: Portrait, hopper: Portrait, detector: Detector) -> None:
    row = np.hstack([hopper.picture[:512], collins.picture, hopper.picture[:512]])
    found = detector.find(row)
    centres = [f.box.centre[0] for f in found]
    assert len(found) == 3 and centres == sorted(centres)


def test_a_face_that_fills_the_frame_is_one_face(collins: Portrait, detector: Detector) -> None:
    (face,) = detector.find(np.ascontiguousarray(collins.picture[50:188, 165:285]))
    assert face.box.height > 0.7  # brow to chin; hairline to chin is 0.84


@pytest.mark.parametrize("turn", [1, 2, 3])
def test_a_wrongly_tagged_frame_is_tried_turned(turn: int, collins: Portrait, detector: Detector) -> None:
    picture = np.ascontiguousarray(np.rot90(collins.picture, turn))
    *_, seen = detector.second_looks(picture)
    found = [f for f in seen if f.score > 0.4]
    assert len(found) == 1
    nose = np.zeros((512, 512), bool)
    nose[127, 224] = True
    (row,), (column,) = np.nonzero(np.rot90(nose, turn))
    assert _points(found[0], picture)[2] == pytest.approx([column, row], abs=0.07 * collins.face_px)


@pytest.mark.parametrize("name", ["coffee", "rocket", "brick", "page", "chelsea"])
def test_no_face_in_pictures_without_people(name: str, detector: Detector) -> None:
    picture = getattr(skimage.data, name)()
    if picture.ndim == 2:
        picture = np.repeat(picture[..., None], 3, axis=2)
    assert all(f.score < 0.72 for f in detector.find(picture))


def test_the_two_sizes_agree_on_one_box(collins: Portrait, detector: Detector) -> None:
    (merged,) = detector.find(collins.picture)
    for side in (1024, 512):
        (alone,) = detector._pass(collins.picture, side, 0.4)
        assert alone.box.iou(merged.box) > 0.75


def _at(left: float, top: float, side: float, score: float) -> Detection:
    return Detection(Box(left, top, side, side), score, ((left, top),) * 5)


def test_the_parts_of_a_huge_face_give_way_to_the_whole() -> None:
    """Eye and mouth are surer than the face that they belong to; a neighbour and a face that is cut stay."""
    whole, eye, mouth = _at(0.1, 0.1, 0.8, 0.55), _at(0.2, 0.25, 0.25, 0.9), _at(0.35, 0.6, 0.25, 0.75)
    beside = _at(0.85, 0.1, 0.12, 0.6)
    assert Detector().merged([eye, mouth, whole, beside]) == (whole, beside)


def test_one_face_seen_at_two_sizes_keeps_the_surer_box() -> None:
    large, small = _at(0.2, 0.2, 0.4, 0.55), _at(0.24, 0.24, 0.3, 0.9)
    assert Detector().merged([large, small]) == (small,)


def test_a_close_look_shows_a_small_dark_face_and_none_in_a_wall(collins: Portrait, detector: Detector) -> None:
    """A face of 29 px at a sixteenth of its light, where the detector's own points lie; brick has no face."""
    small = resized(collins.picture, 128, 128)
    dark = (((small / 255.0) ** 2.2 / 16) ** (1 / 2.2) * 255).astype(np.uint8)
    room = np.full((512, 768, 3), 12, np.uint8)
    room[200:328, 300:428] = dark
    corner = np.array([300, 200]) + np.array([181, 62]) / 4
    side = np.array([89, 116]) / 4
    box = Box(corner[0] / 768, corner[1] / 512, side[0] / 768, side[1] / 512)
    close = detector.closer(room, Detection(box, 0.1, ((0.5, 0.5),) * 5))
    assert close is not None and close.score > 0.5
    wanted = np.array([300, 200]) + collins.points / 4
    assert np.hypot(*(_points(close, room) - wanted).T).max() < 0.12 * 29

    wall = np.repeat(skimage.data.brick()[..., None], 3, axis=2)
    nothing = detector.closer(wall, Detection(Box(0.4, 0.4, 0.1, 0.12), 0.1, ((0.5, 0.5),) * 5))
    assert nothing is None or nothing.score < 0.15


def test_close_looks_show_a_dark_veiled_face_that_one_look_hardly_does(collins: Portrait) -> None:
    """White tulle lays its own light over a face of 29 px in the shade: a quarter of its contrast is left."""
    small = resized(collins.picture, 130, 130) / 255.0
    veiled = np.full((512, 768, 3), 0.3)
    veiled[150:280, 300:430] = 0.5 * (0.55 + 0.16 * (small - 0.5))
    room = (veiled * 255).astype(np.uint8)
    corner, side = np.array([300, 150]) + np.array([181, 62]) * 130 / 512, np.array([89, 116]) * 130 / 512
    box = Box(corner[0] / 768, corner[1] / 512, side[0] / 768, side[1] / 512)
    candidate = Detection(box, 0.1, ((0.5, 0.5),) * 5)
    one = Detector(settings=DetectorSettings(close_enough=0.0)).closer(room, candidate)
    assert one is not None and one.score < 0.3
    several = Detector().closer(room, candidate)
    assert several is not None and several.score > one.score + 0.1


def test_a_lying_face_is_seen_closely_as_an_upright_one(collins: Portrait, detector: Detector) -> None:
    """Of a picture turned by a quarter: all looks turn it back, mirrored ones the other way."""
    small = resized(collins.picture, 160, 160)
    room = np.full((512, 512, 3), 90, np.uint8)
    room[180:340, 180:340] = small // 3 + 60
    upright = Detection(
        Box((180 + 181 / 3.2) / 512, (180 + 62 / 3.2) / 512, 89 / 3.2 / 512, 116 / 3.2 / 512), 0.1, ((0.5, 0.5),) * 5
    )
    box = upright.box
    lying = replace(upright, box=Box(1 - box.top - box.height, box.left, box.height, box.width), turn=1)
    several = Detector(settings=DetectorSettings(close_enough=1.1))
    seen, turned_seen = several.closer(room, upright), several.closer(np.rot90(room, -1).copy(), lying)
    assert seen is not None and turned_seen is not None
    assert turned_seen.score == pytest.approx(seen.score, abs=0.1) and turned_seen.turn == 1
