"""The mesh agrees with points read by eye, mirrors with the picture, and knows when it cannot be trusted."""

from __future__ import annotations

import numpy as np
import pytest

from xmpsync.faces.detector import Detector
from xmpsync.faces.mesh import N_POINTS, OVAL_SIDES, Mesh, five_of, yaw_deg
from xmpsync.faces.pixels import resized
from xmpsync.faces.records import MeshFit

from .conftest import Portrait


def _fit(portrait: Portrait, detector: Detector, mesh: Mesh) -> MeshFit:
    (face,) = detector.find(portrait.picture)
    return mesh.fit(portrait.picture, face)


def test_mesh_points_lie_where_they_were_read_by_eye(
    collins: Portrait, hopper: Portrait, detector: Detector, mesh: Mesh
) -> None:
    for portrait in (collins, hopper):
        fit = _fit(portrait, detector, mesh)
        size = (portrait.picture.shape[1], portrait.picture.shape[0])
        assert fit.reliable and fit.score > 0.9
        assert np.hypot(*(five_of(fit.points) * size - portrait.points).T).max() < 0.06 * portrait.face_px


def test_a_mirrored_face_mirrors_the_mesh_and_the_yaw(hopper: Portrait, detector: Detector, mesh: Mesh) -> None:
    fit, other = _fit(hopper, detector, mesh), _fit(hopper.mirrored(), detector, mesh)
    assert other.yaw_deg == pytest.approx(
        -fit.yaw_deg, abs=5.0
    )  # nearly frontal; the model itself wanders by some degrees
    oval_right, oval_left = OVAL_SIDES
    back = 1 - other.points[oval_left, 0]
    assert back == pytest.approx(fit.points[oval_right, 0], abs=0.02)


@pytest.mark.parametrize("turn_deg", [-60, -20, 0, 35, 70])
def test_yaw_is_the_angle_a_head_was_turned_by(turn_deg: float) -> None:
    points = np.zeros((N_POINTS, 3))
    angle = np.radians(turn_deg)
    # person's right ear at picture left; turning to picture right brings it nearer (smaller z), the left ear away
    points[OVAL_SIDES[0]] = (-np.cos(angle), 0.2, -np.sin(angle))
    points[OVAL_SIDES[1]] = (np.cos(angle), 0.2, np.sin(angle))
    assert yaw_deg(points) == pytest.approx(turn_deg)


def test_a_rolled_head_keeps_its_mesh(collins: Portrait, detector: Detector, mesh: Mesh) -> None:
    from scipy import ndimage

    rolled = ndimage.rotate(collins.picture, 25, reshape=False, order=1, mode="nearest")
    (face,) = detector.find(rolled)
    fit = mesh.fit(rolled, face)
    angle = np.radians(25)  # ndimage turns anticlockwise about the middle of the picture
    middle = np.array([255.5, 255.5])
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    wanted = (collins.points - middle) @ turn.T + middle
    assert np.hypot(*(five_of(fit.points) * 512 - wanted).T).max() < 0.08 * collins.face_px


def test_a_small_face_is_not_called_reliable(collins: Portrait, detector: Detector, mesh: Mesh) -> None:
    (face,) = detector.find(collins.picture)
    fit = mesh.fit(resized(collins.picture, 90, 90), face)
    assert fit.face_px < 24 and not fit.reliable


def test_a_face_of_28_pixels_still_has_its_points_in_place(collins: Portrait, detector: Detector, mesh: Mesh) -> None:
    (face,) = detector.find(collins.picture)
    fit = mesh.fit(resized(collins.picture, 130, 130), face)
    assert fit.face_px < 30 and fit.reliable
    assert np.hypot(*(five_of(fit.points) * 512 - collins.points).T).mean() < 0.06 * collins.face_px


def test_no_face_is_believed_in_a_wall(collins: Portrait, detector: Detector, mesh: Mesh) -> None:
    import skimage.data

    (face,) = detector.find(collins.picture)
    wall = np.repeat(skimage.data.brick()[..., None], 3, axis=2)
    fit = mesh.fit(wall, face)
    assert fit.score < 0.35 and not fit.reliable
