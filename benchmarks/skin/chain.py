"""The whole chain: the relit face in a frame with a background, found by the tool's own finder, then measured.

The frame is what the tool sees of a RAW: linear cells averaged down to about 1024 pixels. The face is pasted into a
scene without people under the same light, as shot; one frame in five is backlit. Quarter turns of the draw are undone
first, as reading by the orientation tag does.
"""

from __future__ import annotations

import functools

import numpy as np

from benchmarks.faces.nobody import frames as empty_frames
from benchmarks.skin.cameras import Camera
from benchmarks.skin.portraits import paint_reflectances
from benchmarks.skin.render import WHITE_AT_ZERO_EV, Rendered, Shot, expose, noise_model
from benchmarks.skin.spectra import Array
from benchmarks.skin.trials import Located
from xmpsync.faces.finder import FaceFinder
from xmpsync.records import Box, Vec3
from xmpsync.skin.records import Cells, NoiseModel

LONG_PX = 1024
BACKGROUNDS = 24
BACKLIT_PART, BACKLIT_EV = 0.2, (1.0, 3.0)
MATCH_IOU = 0.35
"""Overlap of a found box with the face (hairline to chin, ear to ear) that makes them one."""
HAIRLINE, CHIN, EAR, OTHER_EAR = 10, 152, 234, 454
BROW_TO_HAIR = 0.1
"""Of the mesh's height: detectors' boxes begin a little above its topmost point."""


class Chain:
    """Places by `FaceFinder` on the balanced picture of a whole frame."""

    def __init__(self, cells_per_px: float) -> None:
        self._finder = FaceFinder()
        self._reduce = max(1, round(cells_per_px))
        self._long = round(LONG_PX * cells_per_px / self._reduce)

    def __call__(self, frame: Rendered, shot: Shot, camera: Camera, neutral: Vec3, rng: np.random.Generator) -> Located:
        """The frame's face as the finder sees it (`places` None: missed), and how many found faces are none."""
        cells, mesh = _upright(frame)
        canvas, place = self._canvas(cells, mesh, shot, camera, rng)
        found, _ = self._finder.find(canvas, neutral=neutral)
        true = _face_box(mesh, place)
        best = max(found, key=lambda f: f.box.iou(true), default=None)
        hit = best is not None and best.box.iou(true) >= MATCH_IOU
        whole = Cells(cells.camera, cells.clipped, place, cells.noise, cells.n_photosites)
        return Located(whole, best.places if hit and best is not None else None, len(found) - hit)

    def _canvas(
        self, cells: Cells, mesh: Array, shot: Shot, camera: Camera, rng: np.random.Generator
    ) -> tuple[Array, Box]:
        """Linear camera values (h, w, 3) of the frame, and where the cells lie in it (may reach past its edges)."""
        n = self._reduce
        h, w = (side // n * n for side in cells.clipped.shape)
        small = cells.camera[:h, :w].reshape(h // n, n, w // n, n, 3).mean(axis=(1, 3), dtype=np.float32)
        short = round(self._long * 2 / 3)
        landscape = bool(rng.uniform() < 0.6) and small.shape[0] < short
        rows, columns = (short, self._long) if landscape else (self._long, short)
        back_ev = float(rng.uniform(*BACKLIT_EV)) if rng.uniform() < BACKLIT_PART else 0.0
        scene = _covering(_scenes()[int(rng.integers(BACKGROUNDS))], rows, columns)
        white = camera.see(shot.light, np.ones(31)).max()
        gain = WHITE_AT_ZERO_EV / white * 2.0 ** (shot.ev + back_ev)
        light = gain * (scene @ camera.see(shot.light, paint_reflectances()))
        canvas = expose(light, _averaged(shot.iso, n), rng).camera
        top, left = (_position(rng, a, b) for a, b in ((rows, small.shape[0]), (columns, small.shape[1])))
        y0, x0 = max(0, top), max(0, left)
        y1, x1 = min(rows, top + small.shape[0]), min(columns, left + small.shape[1])
        canvas[y0:y1, x0:x1] = small[y0 - top : y1 - top, x0 - left : x1 - left]
        high, wide = cells.clipped.shape
        return canvas, Box(left / columns, top / rows, wide / n / columns, high / n / rows)


def _position(rng: np.random.Generator, frame: int, part: int) -> int:
    """Where a part begins in a frame: anywhere inside, or centred where it is larger."""
    return int(rng.integers(frame - part + 1)) if part <= frame else -((part - frame) // 2)


def _averaged(iso: float, n: int) -> NoiseModel:
    """Noise of n x n cells averaged."""
    one = noise_model(iso)
    part = float(n * n)
    return NoiseModel(tuple(v / part for v in one.scale), tuple(v / part for v in one.offset))  # type: ignore[arg-type]


def _upright(frame: Rendered) -> tuple[Cells, Array]:
    """Cells and mesh (fractions) turned by quarter turns until the chin is below the hairline."""
    cells, mesh = frame.cells, frame.mesh
    for _ in range(4):
        high, wide = cells.clipped.shape
        dx, dy = (mesh[CHIN] - mesh[HAIRLINE]) * (wide, high)
        if dy >= abs(dx):
            break
        camera, clipped = np.rot90(cells.camera), np.rot90(cells.clipped)
        mesh = np.stack([mesh[:, 1], 1.0 - mesh[:, 0]], axis=1)
        cells = Cells(camera.copy(), clipped.copy(), cells.box, cells.noise, cells.n_photosites)
    return cells, mesh


def _face_box(mesh: Array, place: Box) -> Box:
    points = mesh[[HAIRLINE, CHIN, EAR, OTHER_EAR]] * (place.width, place.height) + (place.left, place.top)
    low, high = points.min(axis=0), points.max(axis=0)
    above = BROW_TO_HAIR * (high[1] - low[1])
    return Box(float(low[0]), float(low[1] - above), float(high[0] - low[0]), float(high[1] - low[1] + above))


@functools.cache
def _scenes() -> tuple[Array, ...]:
    return tuple(picture for _, picture in empty_frames(np.random.default_rng(5), BACKGROUNDS))


def _covering(picture: Array, rows: int, columns: int) -> Array:
    """Nearest-neighbour enlargement that covers a frame."""
    y = (np.arange(rows) * picture.shape[0] / rows).astype(int)
    x = (np.arange(columns) * picture.shape[1] / columns).astype(int)
    return np.asarray(picture[y][:, x])
