"""Frames with known faces: portraits pasted with soft edges before backgrounds without people, lit, exposed, noisy."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage

from benchmarks.faces.light import camera_from_linear, neutral, tone_matrix
from benchmarks.faces.portraits import Portrait


@dataclass(frozen=True)
class Pose:
    """One face to paste: its height (chin to hairline) in pixels, centre in fractions, roll in degrees, tone."""

    portrait: int
    face_px: float
    x: float
    y: float
    roll_deg: float = 0.0
    tone: str | None = None


@dataclass(frozen=True)
class Shot:
    """How the frame is taken. `ev` is against a well exposed frame; `back_ev` lights the background only."""

    light: str = "D55"
    second_light: str | None = None
    as_shot: str | None = None
    ev: float = 0.0
    back_ev: float = 0.0
    iso: int = 400
    turn: int = 0


@dataclass(frozen=True)
class Truth:
    """One face: points (5, 2) and box (left, top, right, bottom) in fractions, and the way back to the portrait:
    `frame_from_portrait` (2, 3) maps portrait pixels to frame pixels."""

    pose: Pose
    points: np.ndarray
    box: tuple[float, float, float, float]
    frame_from_portrait: np.ndarray


@dataclass(frozen=True)
class Frame:
    """Linear camera values (h, w, 3), the as-shot neutral, and the truth."""

    camera: np.ndarray
    neutral: tuple[float, float, float]
    truth: tuple[Truth, ...]
    shot: Shot = field(default_factory=Shot)


def frame(
    people: tuple[Portrait, ...],
    poses: tuple[Pose, ...],
    shot: Shot,
    background: np.ndarray,
    size: tuple[int, int],
    rng: np.random.Generator,
) -> Frame:
    """A frame of `size` (width, height). `background` is linear sRGB of any size."""
    width, height = size
    scene = _cover(background, width, height)
    body = np.zeros((height, width, 1), np.float32)
    truth = []
    for pose in poses:
        window, layer, alpha, known = _pasted(people[pose.portrait], pose, width, height)
        scene[window] = scene[window] * (1 - alpha) + layer * alpha
        body[window] = np.maximum(body[window], alpha)
        truth.append(known)
    light = camera_from_linear(shot.light)
    camera = np.clip(scene, 0, None) @ light.T.astype(np.float32)
    if shot.second_light:
        other = np.clip(scene, 0, None) @ camera_from_linear(shot.second_light).T.astype(np.float32)
        share = np.linspace(0, 1, width, dtype=np.float32)[None, :, None]
        camera = camera * (1 - share) + other * share
    camera = camera * (2.0 ** (shot.back_ev * (1 - body)))
    camera = camera * (
        0.15 * 2.0**shot.ev / max(float((camera[..., 1:2] * (body + 0.05)).sum() / (body + 0.05).sum()), 1e-6)
    )
    camera = _sensed(camera, shot.iso, rng)
    if shot.turn:
        camera, truth = np.rot90(camera, shot.turn).copy(), [_turned(t, shot.turn, width, height) for t in truth]
    return Frame(camera, neutral(shot.as_shot or shot.light), tuple(truth), shot)


def _cover(picture: np.ndarray, width: int, height: int) -> np.ndarray:
    zoom = max(width / picture.shape[1], height / picture.shape[0])
    big = ndimage.zoom(picture, (zoom, zoom, 1), order=1, grid_mode=True, mode="nearest")
    out = np.zeros((height, width, 3), np.float32)
    part = big[:height, :width]
    out[: part.shape[0], : part.shape[1]] = part
    return out


def _pasted(
    person: Portrait, pose: Pose, width: int, height: int
) -> tuple[tuple[slice, slice], np.ndarray, np.ndarray, Truth]:
    """The window of the frame that the portrait covers, the portrait there, its soft cut-out, and where its face is."""
    zoom = pose.face_px / person.face_px
    angle = np.radians(pose.roll_deg)
    turn = zoom * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    left, top, right, bottom = person.box
    shift = np.array([pose.x * width, pose.y * height]) - turn @ np.array([(left + right) / 2, (top + bottom) / 2])
    cx, cy, rx, ry = person.head
    reach = np.hypot(rx, ry) * zoom
    x0, y0 = np.floor(np.clip(turn @ (cx, cy) + shift - reach, 0, (width, height))).astype(int)
    x1, y1 = np.ceil(np.clip(turn @ (cx, cy) + shift + reach, 0, (width, height))).astype(int)
    # what lies beyond the cut-out is never seen
    first_x, first_y = max(0, int(cx - rx) - 20), max(0, int(cy - ry) - 20)
    part = (slice(first_y, int(cy + ry) + 20), slice(first_x, int(cx + rx) + 20))
    linear = _reduced(_toned(person, pose.tone)[part], min(1.0, zoom))
    back = np.linalg.inv(turn)
    ys, xs = np.mgrid[y0:y1, x0:x1] + 0.5
    in_portrait = np.stack([xs, ys], axis=-1) @ back.T - back @ shift
    at = [in_portrait[..., 1] - 0.5 - first_y, in_portrait[..., 0] - 0.5 - first_x]
    layer = np.stack([ndimage.map_coordinates(linear[..., c], at, order=1, mode="nearest") for c in range(3)], axis=-1)
    radius = (np.abs((in_portrait[..., 0] - cx) / rx) ** 2.5 + np.abs((in_portrait[..., 1] - cy) / ry) ** 2.5) ** 0.4
    alpha = np.clip((1.0 - radius) / 0.06, 0, 1)[..., None].astype(np.float32)
    points = (person.points @ turn.T + shift) / (width, height)
    corners = np.array([[left, top], [right, top], [left, bottom], [right, bottom]]) @ turn.T + shift
    low, high = corners.min(axis=0) / (width, height), corners.max(axis=0) / (width, height)
    known = Truth(pose, points, (low[0], low[1], high[0], high[1]), np.column_stack([turn, shift]))
    return (slice(y0, y1), slice(x0, x1)), layer, alpha, known


def _reduced(linear: np.ndarray, zoom: float) -> np.ndarray:
    """The portrait without the detail that a picture `zoom` times as large cannot hold."""
    sigma = 0.5 * (1 / zoom - 1)
    return ndimage.gaussian_filter(linear, (sigma, sigma, 0)) if sigma > 0 else linear


_TONED: dict[tuple[str, str], np.ndarray] = {}


def _toned(person: Portrait, tone: str | None) -> np.ndarray:
    """The portrait with its skin at another tone; where it is skin is told softly from its place and colour."""
    if tone is None:
        return person.linear
    if (person.name, tone) not in _TONED:
        _TONED[person.name, tone] = _with_tone(person, tone)
    return _TONED[person.name, tone]


def _with_tone(person: Portrait, tone: str) -> np.ndarray:
    skin = cheek_colour(person)
    toned = np.clip(person.linear @ tone_matrix(tuple(float(v) for v in skin), tone).T, 0.002, 1.0).astype(np.float32)
    logs = np.log(np.clip(person.linear, 1e-3, None))
    chroma = (logs - logs[..., 1:2])[..., [0, 2]] - (np.log(skin) - np.log(skin[1]))[[0, 2]]
    likeness = np.exp(-0.5 * ((chroma / (0.7, 0.9)) ** 2).sum(axis=-1))
    ys, xs = np.mgrid[0 : logs.shape[0], 0 : logs.shape[1]]
    left, top, right, bottom = person.box
    middle_x, middle_y, face = (left + right) / 2, (top + bottom) / 2, bottom - top
    radius = np.hypot((xs - middle_x) / (0.62 * (right - left)), (ys - middle_y - 0.1 * face) / (0.72 * face))
    near = np.clip((1.15 - radius) / 0.15, 0, 1)
    weight = ndimage.gaussian_filter(near * np.clip(likeness * 2.0, 0, 1), 0.015 * face)[..., None]
    return np.asarray(person.linear * (1 - weight) + toned * weight, dtype=np.float32)


def cheek_colour(person: Portrait) -> np.ndarray:
    """Median linear sRGB beside the nose."""
    (ax, ay), (bx, by), _, (mx, my), (nx, ny) = person.points
    half = 0.06 * person.face_px
    samples = []
    for x, y in ((ax * 0.6 + mx * 0.4 - half, (ay + my) / 2), (bx * 0.6 + nx * 0.4 + half, (by + ny) / 2)):
        patch = person.linear[int(y - half) : int(y + half), int(x - half) : int(x + half)]
        samples.append(patch.reshape(-1, 3))
    return np.asarray(np.median(np.concatenate(samples), axis=0))


def _sensed(camera: np.ndarray, iso: int, rng: np.random.Generator) -> np.ndarray:
    """Photon and read noise of a full-frame cell binned to proxy size, 14 bits, white level at 1."""
    full_well = 60000.0 * 100 / iso * 8  # electrons; a proxy pixel averages about eight photosites
    read = 4.0 / (60000.0 * 100 / iso) / np.sqrt(8)
    draws = rng.standard_normal(camera.shape, dtype=np.float32)
    noisy = camera + draws * np.sqrt(np.clip(camera, 0, None) / np.float32(full_well) + np.float32(read**2))
    return np.clip(np.round(noisy * 16383) / 16383, 0, 1).astype(np.float32)


def _turned(truth: Truth, turn: int, width: int, height: int) -> Truth:
    """Truth after `np.rot90(frame, turn)`."""
    matrices = {
        1: np.array([[0, 1, 0], [-1, 0, width]]),
        2: np.array([[-1, 0, width], [0, -1, height]]),
        3: np.array([[0, -1, height], [1, 0, 0]]),
    }
    turned = matrices[turn % 4].astype(float)
    size = (width, height) if turn % 2 == 0 else (height, width)
    move = lambda p: (p * (width, height)) @ turned[:, :2].T + turned[:, 2]  # noqa: E731
    left, top, right, bottom = truth.box
    corners = move(np.array([[left, top], [right, bottom]])) / size
    low, high = corners.min(axis=0), corners.max(axis=0)
    matrix = turned[:, :2] @ truth.frame_from_portrait
    matrix[:, 2] += turned[:, 2]
    return Truth(truth.pose, move(truth.points) / size, (low[0], low[1], high[0], high[1]), matrix)
