"""A preview stands in for the frame only where it shows the same picture; else the RAW itself is looked at."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import gaussian_filter, zoom

from demo_shoot.dng import DngProfile, mosaic_from_rgb, stored_from_upright, write_dng
from xmpsync.read.overview import overview
from xmpsync.read.partial import PartlyRead
from xmpsync.read.raw import open_raw

PROFILE = DngProfile(color_matrix_1=np.eye(3).tolist(), as_shot_neutral=(0.5, 1.0, 0.6))
HEIGHT, WIDTH, SIDE = 1024, 1536, 384
SRGB_FROM_CAMERA = np.array([[1.6, -0.4, -0.2], [-0.2, 1.5, -0.3], [0.0, -0.5, 1.5]]) * (2.0, 1.0, 1.7)


@lru_cache(maxsize=1)
def scene() -> np.ndarray:
    """Linear camera colours (HEIGHT, WIDTH, 3): soft shapes of many sizes and colours, a lamp that clips."""
    rng = np.random.default_rng(7)
    logs = sum(
        zoom(gaussian_filter(rng.normal(size=(HEIGHT // k, WIDTH // k, 3)), (3, 3, 0.3)), (k, k, 1), order=1) * 4.0
        for k in (2, 8, 32)
    )
    camera = 0.12 * np.exp(logs) * (0.5, 1.0, 0.6)
    camera[100:260, 200:420] = 1.2
    return np.clip(camera, 0.0, 1.0)


def rendered(camera: np.ndarray, gain: float = 1.0) -> np.ndarray:
    """uint8 (h, w, 3) at half size, as a camera would: matrix, tone curve, encoding."""
    small = camera.reshape(HEIGHT // 2, 2, WIDTH // 2, 2, 3).mean(axis=(1, 3)) * gain
    linear = np.clip(small @ SRGB_FROM_CAMERA.T, 0.0, None)
    toned = linear * 1.5 / (linear + 0.5)
    return (np.clip(toned, 0, 1) ** (1 / 2.2) * 255 + 0.5).astype(np.uint8)


def frame(path: Path, picture: np.ndarray, orientation: int = 1, tile: int | None = 64) -> Path:
    noise = np.random.default_rng(8).normal(0, 20, (HEIGHT, WIDTH))
    mosaic = np.clip(mosaic_from_rgb(scene()) * (16383 - 512) + 512 + noise, 0, 16383).astype(np.uint16)
    write_dng(path, mosaic, profile=PROFILE, black=512, preview_rgb=picture, orientation=orientation, tile=tile)
    return path


@pytest.mark.parametrize("orientation", [1, 6])
def test_a_preview_of_the_same_picture_gives_the_frames_colours(tmp_path: Path, orientation: int) -> None:
    raw = open_raw(frame(tmp_path / "a.dng", rendered(scene()), orientation))
    assert isinstance(raw.photosites, PartlyRead)
    ours = overview(raw, SIDE)
    assert ours.from_preview
    truth = raw.cells(reduce=2)  # every tile decoded
    assert ours.camera.shape == truth.camera.shape
    ratio = np.log2(np.maximum(ours.camera, 1e-3) / np.maximum(truth.camera, 1e-3))[~truth.clipped]
    assert abs(np.median(ratio)) < 0.05  # EV; the solver's smallest tolerance is 0.25
    assert np.percentile(np.abs(ratio), 90) < 0.5
    assert ours.clipped.mean() == pytest.approx(truth.clipped.mean(), abs=0.02)


def cropped(picture: np.ndarray) -> np.ndarray:
    inner = Image.fromarray(picture).crop((60, 40, 60 + 600, 40 + 400))
    return np.asarray(inner.resize((picture.shape[1], picture.shape[0])))


def bent(picture: np.ndarray) -> np.ndarray:
    """Distortion corrected: 2 % larger about the middle."""
    height, width = picture.shape[:2]
    inner = (0.01 * width, 0.01 * height, 0.99 * width, 0.99 * height)
    return np.asarray(Image.fromarray(picture).resize((width, height), Image.Resampling.BILINEAR, box=inner))


def half_lightened(picture: np.ndarray) -> np.ndarray:
    light = picture.astype(float)
    light[:, : light.shape[1] // 2] *= 1.6
    return np.clip(light, 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    "changed",
    [
        cropped,
        bent,
        half_lightened,
        lambda p: np.ascontiguousarray(p[::-1, ::-1]),
        lambda p: np.ascontiguousarray(p[:, :500]),
        lambda p: np.repeat(p.mean(axis=2, keepdims=True), 3, axis=2).astype(np.uint8),
        lambda p: np.ascontiguousarray(p[::4, ::4]),
    ],
    ids=["cropped", "bent", "half lightened", "turned by 180", "other shape", "grey", "too small"],
)
def test_another_picture_is_not_believed(tmp_path: Path, changed: Callable[[np.ndarray], np.ndarray]) -> None:
    raw = open_raw(frame(tmp_path / "a.dng", changed(rendered(scene()))))
    ours = overview(raw, SIDE)
    assert not ours.from_preview
    np.testing.assert_array_equal(ours.camera, raw.cells(reduce=2).camera)


def test_a_file_that_is_unpacked_whole_is_looked_at_itself(tmp_path: Path) -> None:
    raw = open_raw(frame(tmp_path / "a.dng", rendered(scene()), tile=None))
    assert not overview(raw, SIDE).from_preview


def test_the_preview_is_turned_like_the_frame(tmp_path: Path) -> None:
    """Orientation 8: the stored picture turns by a quarter; the upright overview matches upright cells."""
    raw = open_raw(frame(tmp_path / "a.dng", rendered(scene()), orientation=8))
    ours = overview(raw, SIDE)
    assert ours.from_preview and ours.camera.shape[0] > ours.camera.shape[1]
    assert stored_from_upright(ours.camera, 8).shape[:2] == (SIDE * 2 // 3, SIDE)
