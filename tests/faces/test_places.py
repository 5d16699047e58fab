"""Places lie on skin, away from eyes, brows and lips, the same on both sides, and rough where they must be."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image, ImageDraw

from xmpsync.faces.detector import Detector
from xmpsync.faces.mesh import Mesh
from xmpsync.faces.places import inner_ellipse, patch, places
from xmpsync.faces.records import Detection, MeshFit
from xmpsync.records import Box
from xmpsync.skin.records import Place, Region

from .conftest import Portrait

# Contours of the canonical face model as its authors publish them with the mesh (indices from memory).
LIPS = (61, 146, 91, 181, 84, 17, 314, 405, 321, 375, 291, 409, 270, 269, 267, 0, 37, 39, 40, 185)
RIGHT_EYE = (33, 7, 163, 144, 145, 153, 154, 155, 133, 173, 157, 158, 159, 160, 161, 246)
LEFT_EYE = (263, 249, 390, 373, 374, 380, 381, 382, 362, 398, 384, 385, 386, 387, 388, 466)
RIGHT_BROW = (70, 63, 105, 66, 107, 55, 65, 52, 53, 46)
LEFT_BROW = (300, 293, 334, 296, 336, 285, 295, 282, 283, 276)
OVAL = (
    10, 338, 297, 332, 284, 251, 389, 356, 454, 323, 361, 288, 397, 365, 379, 378, 400, 377, 152, 148, 176, 149, 150,
    136, 172, 58, 132, 93, 234, 127, 162, 21, 54, 103, 67, 109,
)  # fmt: skip


def _mask(polygon: np.ndarray, picture: np.ndarray) -> np.ndarray:
    height, width = picture.shape[:2]
    mask = Image.new("1", (width, height))
    ImageDraw.Draw(mask).polygon([(float(x * width), float(y * height)) for x, y in polygon], fill=1)
    return np.asarray(mask)


def _of(portrait: Portrait, detector: Detector, mesh: Mesh) -> tuple[Detection, MeshFit, dict[Region, Place]]:
    (face,) = detector.find(portrait.picture)
    fit = mesh.fit(portrait.picture, face)
    return face, fit, {p.region: p for p in places(fit, face.box, face.points)}


@pytest.mark.parametrize("who", ["collins", "hopper"])
def test_five_regions_lie_inside_the_face_and_off_eyes_brows_and_lips(
    who: str, detector: Detector, mesh: Mesh, request: pytest.FixtureRequest
) -> None:
    portrait: Portrait = request.getfixturevalue(who)
    _, fit, found = _of(portrait, detector, mesh)
    assert set(found) == {Region.FOREHEAD, Region.LEFT_CHEEK, Region.RIGHT_CHEEK, Region.NOSE, Region.CHIN}
    oval = _mask(fit.points[list(OVAL)], portrait.picture)
    taken = np.zeros_like(oval)
    for place in found.values():
        mask = _mask(np.array(place.polygon), portrait.picture)
        assert mask.sum() > 0.002 * portrait.face_px**2
        assert not (mask & ~oval).any()
        assert not (mask & taken).any()
        taken = taken | mask
    for contour in (LIPS, RIGHT_EYE, LEFT_EYE, RIGHT_BROW, LEFT_BROW):
        assert not (taken & _mask(fit.points[list(contour)], portrait.picture)).any()


def test_left_and_right_are_the_persons_own(collins: Portrait, detector: Detector, mesh: Mesh) -> None:
    _, _, found = _of(collins, detector, mesh)
    left = np.mean([x for x, _ in found[Region.LEFT_CHEEK].polygon])
    right = np.mean([x for x, _ in found[Region.RIGHT_CHEEK].polygon])
    assert right < collins.points[2, 0] / 512 < left


def test_cheeks_show_the_colour_that_was_read_from_them_by_eye(
    collins: Portrait, detector: Detector, mesh: Mesh
) -> None:
    _, _, found = _of(collins, detector, mesh)
    # a patch of her right cheek, chosen by eye: columns 195-205, rows 112-122
    by_hand = np.median(collins.linear[112:122, 195:205].reshape(-1, 3), axis=0)
    mask = _mask(np.array(found[Region.RIGHT_CHEEK].polygon), collins.picture)
    there = np.median(collins.linear[mask], axis=0)
    assert np.abs(np.log(there / by_hand)).max() < 0.25  # one cheek is not of one level
    assert np.abs(np.log(there / there[1]) - np.log(by_hand / by_hand[1])).max() < 0.1  # but of one colour


def test_a_turned_head_loses_its_far_cheek(collins: Portrait, detector: Detector, mesh: Mesh) -> None:
    face, fit, _ = _of(collins, detector, mesh)
    turned = MeshFit(fit.points, fit.score, 40.0, fit.consistency, fit.face_px, True)
    assert Region.LEFT_CHEEK not in {p.region for p in places(turned, face.box, face.points)}
    other = MeshFit(fit.points, fit.score, -40.0, fit.consistency, fit.face_px, True)
    assert Region.RIGHT_CHEEK not in {p.region for p in places(other, face.box, face.points)}


def test_without_a_reliable_mesh_one_rough_place_lies_between_eyes_and_mouth(hopper: Portrait) -> None:
    size = np.array([hopper.picture.shape[1], hopper.picture.shape[0]])
    points = tuple((float(x), float(y)) for x, y in hopper.points / size)
    box = Box(185 / size[0], 135 / size[1], 160 / size[0], 195 / size[1])
    (place,) = places(None, box, points)  # type: ignore[arg-type]
    assert place.region is Region.WHOLE
    polygon = np.array(place.polygon) * size
    assert polygon[:, 1].min() > hopper.points[:2, 1].max() and polygon[:, 1].max() < hopper.points[3:, 1].min()
    assert polygon[:, 0].min() > 185 and polygon[:, 0].max() < 345


@pytest.mark.parametrize("facing", [-1, 1])
def test_of_a_profile_the_one_visible_cheek_is_taken(facing: int) -> None:
    # eyes and mouth corners fall together, the nose points to where the person looks
    x = 0.5 + facing * 0.1
    points = ((x, 0.4), (x + 0.01, 0.4), (x + facing * 0.1, 0.5), (x, 0.6), (x + 0.01, 0.6))
    (place,) = places(None, Box(0.35, 0.3, 0.3, 0.4), points)
    centre = np.mean(place.polygon, axis=0)
    assert (centre[0] - x) * facing < -0.03
    assert 0.42 < centre[1] < 0.6
    assert all(Box(0.35, 0.3, 0.3, 0.4).contains(px, py) for px, py in place.polygon)


def test_a_box_from_metadata_gives_an_ellipse_well_inside_it() -> None:
    box = Box(0.2, 0.1, 0.3, 0.4)
    place = inner_ellipse(box)
    assert place.region is Region.WHOLE
    assert all(0.25 < x < 0.45 and 0.2 < y < 0.43 for x, y in place.polygon)
    assert places(None, box, None) == (place,)


def test_a_hand_made_box_is_used_whole() -> None:
    xs, ys = zip(*patch(Box(0.2, 0.1, 0.3, 0.4)).polygon, strict=True)
    assert (min(xs), max(xs), min(ys), max(ys)) == pytest.approx((0.2, 0.5, 0.1, 0.5), abs=0.005)
