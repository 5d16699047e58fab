"""The whole frame at the size of a screen, in linear camera colours: from its photosites, or from the preview.

Where a look at all photosites means decoding all (tiled lossless DNG), the embedded preview serves instead, if it shows
the same picture. A preview is a rendered picture: its colours say nothing about the RAW until they are compared. So
some tiles, spread over the frame, are decoded, and the camera colours there are fitted by a polynomial of the preview's
(Finlayson, Mackiewicz and Hurlbert 2015 describe polynomial colour correction; here in square-root encoding, so that
shadows and lights weigh alike). The fit is a proof as well: another crop, another exposure in a part of the frame, a
turned or retouched picture do not fit, and the frame is decoded whole. Skin is never taken from here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PIL import Image

from xmpsync.read.partial import PartlyRead
from xmpsync.read.picture import Picture, preview
from xmpsync.read.raw import RawImage
from xmpsync.records import Box


@dataclass(frozen=True, slots=True)
class OverviewSettings:
    """When a preview stands in for the frame."""

    tiles: tuple[int, int] = (5, 5)
    """Tiles that are decoded, down and across: some hundredths of a frame of 24 megapixels in tiles of 256 or 512."""
    largest_share: float = 0.25
    """Of all tiles; a small frame is decoded whole."""
    least_blocks: int = 2000
    """Places to compare, for a fit of 20 numbers for each channel."""
    largest_rms: float = 0.04
    """Root mean square of what the fit leaves, in square-root units where 1 is white: about 0.3 EV at mid-grey. A
    preview's local tone and its JPEG leave less; another crop leaves the contrast of the scene (0.1 and more)."""
    largest_shift: float = 1.5
    """Preview pixels by which a tile may lie elsewhere (distortion corrected in the preview): a face of 24 px keeps
    its cheeks."""
    shift_sd: float = 4.0
    """Standard deviations that a shift must be sure by before it counts: a flat tile says nothing."""


SETTINGS = OverviewSettings()


@dataclass(frozen=True, slots=True, eq=False)
class Overview:
    """Linear camera colours (h, w, 3) of the upright frame and where a channel is clipped (h, w).

    `from_preview`: made from the preview; colours are then good to some percent only.
    """

    camera: npt.NDArray[np.float32]
    clipped: npt.NDArray[np.bool_]
    from_preview: bool = False


def overview(raw: RawImage, long_side: int, settings: OverviewSettings = SETTINGS) -> Overview:
    """The frame with its long side near `long_side` pixels (never enlarged)."""
    photosites = raw.photosites
    if isinstance(photosites, PartlyRead) and photosites.lossless:
        found = _from_preview(raw, photosites, long_side, settings)
        if found is not None:
            return found
    cells = raw.cells(reduce=max(1, round(max(raw.cells_shape) / long_side)))
    return Overview(cells.camera, cells.clipped)


def _from_preview(raw: RawImage, photosites: PartlyRead, long_side: int, s: OverviewSettings) -> Overview | None:
    tiles = photosites.pieces()
    chosen = _spread(tiles, photosites.shape, s.tiles)
    if not chosen or len(chosen) > s.largest_share * len(tiles):
        return None
    picture = preview(raw.header, long_side)
    if picture is None or max(picture.shape[:2]) < long_side or not _same_shape(raw, picture):
        return None
    looks = [_compared(raw, picture, tile) for tile in chosen]
    seen = np.concatenate([look.seen.reshape(-1, 3) for look in looks])
    camera = np.concatenate([look.camera.reshape(-1, 3) for look in looks])
    clipped = np.concatenate([look.clipped.reshape(-1) for look in looks])
    if len(seen) < s.least_blocks:
        return None
    target = np.sqrt(np.clip(camera, 0.0, 1.0))
    terms = _terms(seen)
    fit = np.linalg.lstsq(terms.T @ terms + 1e-6 * len(seen) * np.eye(terms.shape[1]), terms.T @ target, rcond=None)[0]
    left = terms @ fit - target
    if float(np.sqrt((left**2).mean())) > s.largest_rms or any(_moved(look, fit, s) for look in looks):
        return None
    encoded = _applied(picture.reshape(-1, 3), fit)
    found = (encoded * encoded).reshape(picture.shape)
    return Overview(found, _clipped(encoded, terms @ fit, clipped).reshape(picture.shape[:2]), from_preview=True)


def _applied(seen: Picture, fit: npt.NDArray[np.floating]) -> npt.NDArray[np.float32]:
    """The fit at every pixel (n, 3) of the preview, 0..1, in pieces that stay in the processor's cache."""
    found = np.empty(seen.shape, np.float32)
    by_term = np.ascontiguousarray(fit.T, dtype=np.float32)
    for start in range(0, len(seen), _PIECE):
        part = seen[start : start + _PIECE].astype(np.float32).T / np.float32(255)
        np.clip((by_term @ _planes(part)).T, 0.0, 1.0, out=found[start : start + _PIECE])
    return found


def _spread(
    tiles: list[tuple[int, int, int, int]], shape: tuple[int, int], grid: tuple[int, int]
) -> list[tuple[int, int, int, int]]:
    """The tiles nearest to the points of a grid, corners included, each once."""
    if not tiles:
        return []
    centres = np.array([(t + h / 2, left + w / 2) for t, left, h, w in tiles])
    rows = np.linspace(centres[:, 0].min(), centres[:, 0].max(), grid[0])
    columns = np.linspace(centres[:, 1].min(), centres[:, 1].max(), grid[1])
    nearest = {int(np.hypot(*(centres - (row, column)).T).argmin()) for row in rows for column in columns}
    return [tiles[i] for i in sorted(nearest)]


def _same_shape(raw: RawImage, picture: Picture) -> bool:
    """Whether the preview has the crop's sides, to the pixel it was rounded to."""
    height, width = raw.cells_shape
    off = abs(picture.shape[0] * width - picture.shape[1] * height)
    return bool(off <= 1.5 * max(height, width))


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """One tile: camera colours (n, m, 3) of blocks of cells, clipping (n, m), the preview's colours 0..1 there."""

    camera: npt.NDArray[np.float32]
    clipped: npt.NDArray[np.bool_]
    seen: npt.NDArray[np.float32]


def _compared(raw: RawImage, picture: Picture, tile: tuple[int, int, int, int]) -> _Look:
    height, width = raw.photosites.shape
    # whole cells inside the tile, so that no neighbour is decoded
    cell_v, cell_h = raw.sensor.cell_height, raw.sensor.cell_width
    first_row, first_column = -(-tile[0] // cell_v) * cell_v, -(-tile[1] // cell_h) * cell_h
    bottom, right = (tile[0] + tile[2]) // cell_v * cell_v, (tile[1] + tile[3]) // cell_h * cell_h
    reduce = max(1, round(max(raw.cells_shape) / max(picture.shape[:2])))
    blocks_v, blocks_h = (bottom - first_row) // (cell_v * reduce), (right - first_column) // (cell_h * reduce)
    stored = Box(
        first_column / width,
        first_row / height,
        blocks_h * cell_h * reduce / width,
        blocks_v * cell_v * reduce / height,
    )
    cells = raw.cells(raw.upright(stored), reduce=reduce)
    down, across = cells.camera.shape[:2]
    place = cells.box
    box = (
        max(0.0, place.left * picture.shape[1]),  # turning fractions may leave -1e-17
        max(0.0, place.top * picture.shape[0]),
        min(picture.shape[1], (place.left + place.width) * picture.shape[1]),
        min(picture.shape[0], (place.top + place.height) * picture.shape[0]),
    )
    # with the pixels around it that the filter reaches; the whole picture would be copied for each tile
    reach = 2 + math.ceil(max((box[2] - box[0]) / across, (box[3] - box[1]) / down))
    left, top = max(0, int(box[0]) - reach), max(0, int(box[1]) - reach)
    near = np.ascontiguousarray(picture[top : math.ceil(box[3]) + reach, left : math.ceil(box[2]) + reach])
    place_in_it = (box[0] - left, box[1] - top, box[2] - left, box[3] - top)
    image = Image.fromarray(near).resize((across, down), Image.Resampling.BILINEAR, box=place_in_it)
    return _Look(cells.camera, cells.clipped, np.asarray(image, dtype=np.float32) / np.float32(255))


_PIECE = 8192
"""Pixels whose 20 terms take 640 kB."""


def _terms(seen: npt.NDArray[np.floating]) -> npt.NDArray[np.floating]:
    """The 20 products of three colours (n, 3) up to the third degree: (n, 20)."""
    return _planes(np.ascontiguousarray(seen.T)).T


def _planes(seen: npt.NDArray[np.floating]) -> npt.NDArray[np.floating]:
    """The same of planes (3, n): (20, n)."""
    r, g, b = seen
    out = np.empty((20, seen.shape[1]), seen.dtype)
    out[0], out[1:4] = 1.0, seen
    rr, gg, bb, rg, _, _ = out[4:10]
    pairs = ((r, r), (g, g), (b, b), (r, g), (r, b), (g, b))
    cubes = ((rr, r), (rr, g), (rr, b), (gg, r), (gg, g), (gg, b), (bb, r), (bb, g), (bb, b), (rg, b))
    for row, (one, other) in enumerate((*pairs, *cubes), start=4):
        np.multiply(one, other, out=out[row])
    return out


def _moved(look: _Look, fit: npt.NDArray[np.floating], s: OverviewSettings) -> bool:
    """Whether a tile surely lies elsewhere in the preview: the shift that explains what the fit leaves, by least
    squares on the gradients (Lucas and Kanade 1981)."""
    if min(look.clipped.shape) < 8:
        return False
    shown = (_terms(look.seen.reshape(-1, 3)) @ fit).reshape(look.seen.shape)[..., 1]
    left = (np.sqrt(np.clip(look.camera[..., 1], 0.0, 1.0)) - shown)[1:-1, 1:-1]
    down, across = ((shown[2:, 1:-1] - shown[:-2, 1:-1]) / 2, (shown[1:-1, 2:] - shown[1:-1, :-2]) / 2)
    a = np.stack([down.ravel(), across.ravel(), np.ones(down.size)], axis=1)
    normal = a.T @ a + 1e-9 * np.eye(3)
    shift = np.linalg.solve(normal, a.T @ left.ravel())
    rest = left.ravel() - a @ shift
    sd = np.sqrt(np.diag(np.linalg.inv(normal)) * (rest**2).mean())[:2]
    size, sure = np.abs(shift[:2]), s.shift_sd * sd
    return bool(((size - sure) > s.largest_shift).any())


def _clipped(
    encoded: npt.NDArray[np.floating], fitted: npt.NDArray[np.floating], clipped: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """As large a share of the brightest as of the tiles' blocks is clipped."""
    share = float(clipped.mean())
    if share == 0.0:
        return np.zeros(len(encoded), np.bool_)
    level = np.quantile(fitted.max(axis=1), 1.0 - share)
    return np.asarray(encoded.max(axis=1) >= min(level, 1.0))
