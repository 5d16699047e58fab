"""The estimator under test, and worse ones that show that the bench can fail."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchmarks.skin.trials import Measure
from xmpsync.records import Vec3
from xmpsync.skin.bins import to_grid
from xmpsync.skin.mask import coverage
from xmpsync.skin.measure import measure_face
from xmpsync.skin.records import Cells, FaceSkin, Place, Region, Unusable


def whole(cells: Cells, places: tuple[Place, ...], neutral: Vec3) -> FaceSkin | Unusable:
    """The tool's own estimator."""
    return measure_face(cells, places, neutral=neutral)


def mean(cells: Cells, places: tuple[Place, ...], neutral: Vec3) -> FaceSkin | Unusable:
    """Everything inside the places averaged: clipped, shiny, dark and all."""
    return _plain(cells, places, lambda level, clipped: np.ones(level.shape, dtype=bool))


def brightest(cells: Cells, places: tuple[Place, ...], neutral: Vec3) -> FaceSkin | Unusable:
    """The brightest tenth: what a highlight picker would take."""
    return _plain(cells, places, lambda level, clipped: level >= np.quantile(level, 0.9))


def plain(cells: Cells, places: tuple[Place, ...], neutral: Vec3) -> FaceSkin | Unusable:
    """The mark to beat: cheeks only, unclipped, the 40-90 per cent bright part."""
    cheeks = tuple(p for p in places if p.region in (Region.LEFT_CHEEK, Region.RIGHT_CHEEK))

    def middle(level: np.ndarray, clipped: np.ndarray) -> np.ndarray:
        if clipped.all():
            return ~clipped
        low, high = np.quantile(level[~clipped], (0.4, 0.9))
        return (level >= low) & (level <= high) & ~clipped

    return _plain(cells, cheeks, middle)


def sure(cells: Cells, places: tuple[Place, ...], neutral: Vec3) -> FaceSkin | Unusable:
    """The tool's own estimator, ten times too sure of itself: calibration must show it."""
    answer = measure_face(cells, places, neutral=neutral)
    if isinstance(answer, Unusable):
        return answer
    scaled = np.asarray(answer.log_covariance) / 100
    return replace(answer, log_covariance=tuple(tuple(float(v) for v in row) for row in scaled))


def _plain(cells: Cells, places: tuple[Place, ...], choose: object) -> FaceSkin | Unusable:
    shape = cells.clipped.shape
    inside = np.max([coverage(to_grid(p.polygon, cells.box, shape), shape) for p in places], axis=0) >= 0.5
    camera, clipped = cells.camera[inside].astype(np.float64), cells.clipped[inside]
    if len(camera) < 4:
        return Unusable.FEW_PIXELS
    kept = choose(camera[:, 1], clipped)  # type: ignore[operator]
    if kept.sum() < 2 or (camera[kept].mean(axis=0) <= 0).any():
        return Unusable.CLIPPED
    colour = camera[kept].mean(axis=0)
    spread = np.diag(camera[kept].var(axis=0) / colour**2 / kept.sum() + 1e-4)
    rows = tuple(tuple(float(v) for v in row) for row in spread)
    return FaceSkin((float(colour[0]), float(colour[1]), float(colour[2])), rows, int(kept.sum()))  # type: ignore[arg-type]


BROKEN: dict[str, Measure] = {"mean": mean, "brightest": brightest, "plain": plain, "sure": sure}
