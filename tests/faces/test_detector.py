"""The detector finds faces where a person sees them, at both sizes and in turned pictures, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest
import skimage.data

from xmpsync.faces.detector import Detector
from xmpsync.faces.records import Detection

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
