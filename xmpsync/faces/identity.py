"""Whose face it is: 128 numbers per face, and faces linked to persons. The numbers need the optional extra `people`.

The model is dlib's ResNet (`dlib_face_recognition_resnet_model_v1.dat`, released as CC0): faces of one person lie near
0.5 of each other, of different people mostly beyond 0.6, but the two overlap. So linking is careful: average linkage,
two faces of one frame are never one person, and a face that fits two persons alike stays unknown.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from xmpsync.errors import WrongUsage
from xmpsync.faces.records import MeshFit, Picture

HOW_TO_GET = 'Install the extra: pip install "xmpsync[people]".'
MODEL_FILE = "dlib_face_recognition_resnet_model_v1.dat"
N_NUMBERS = 128

# Order of dlib's five-point face: left eye outer and inner corner, right eye outer and inner corner, nose base.
CHIP_POINTS = (263, 362, 33, 133, 2)

Vector = tuple[float, ...]


def available() -> bool:
    """Whether the extra `people` is installed, with its model file."""
    return find_spec("dlib") is not None and model_path() is not None


def model_path() -> Path | None:
    """The model file inside the package that carries it, found without importing it (its import wants setuptools)."""
    spec = find_spec("face_recognition_models")
    for folder in (spec.submodule_search_locations or ()) if spec else ():
        path = Path(folder) / "models" / MODEL_FILE
        if path.is_file():
            return path
    return None


class Identity:
    """The identity model, loaded at the first face. One per process.

    Raises `WrongUsage` when the extra is not installed: ask `available()` first.
    """

    def __init__(self) -> None:
        path = model_path()
        if path is None or find_spec("dlib") is None:
            raise WrongUsage("Finding the same person again needs the extra 'people'.", next_step=HOW_TO_GET)
        self._path = path
        self._net: Any = None

    def vector(self, picture: Picture, fit: MeshFit) -> Vector:
        """128 numbers of the face that `fit` covers; compare with `distance`."""
        import dlib

        if self._net is None:
            self._net = dlib.face_recognition_model_v1(str(self._path))
        height, width = picture.shape[:2]
        points = fit.points * (width, height)
        low, high = points.min(axis=0), points.max(axis=0)
        box = dlib.rectangle(int(low[0]), int(low[1]), int(high[0]), int(high[1]))
        five = [dlib.point(round(float(x)), round(float(y))) for x, y in points[list(CHIP_POINTS)]]
        shape = dlib.full_object_detection(box, five)
        return tuple(float(v) for v in self._net.compute_face_descriptor(np.ascontiguousarray(picture), shape))


@dataclass(frozen=True, slots=True)
class LinkSettings:
    """Distances of identity vectors (no unit)."""

    same: float = 0.5
    """Average distance up to which two groups are one person: stricter than the equal-error point of 0.6."""
    ambiguous: float = 0.06
    """A face whose second nearest person is no further than this beyond its own stays unknown."""
    loose: float = 0.58
    """A face on average further than this from its own person stays unknown."""


UNKNOWN = -1


def distance(a: Sequence[float], b: Sequence[float]) -> float:
    """Euclidean distance of two identity vectors."""
    return float(np.linalg.norm(np.asarray(a) - np.asarray(b)))


def link(
    vectors: Sequence[Sequence[float] | None],
    *,
    frames: Sequence[Hashable] | None = None,
    names: Sequence[str | None] | None = None,
    settings: LinkSettings | None = None,
) -> tuple[int, ...]:
    """One label per face: equal labels are one person, `UNKNOWN` is nobody we can tell.

    `frames`: the frame each face is in (two faces of one frame are two people). `names`: names known from regions or
    marks (equal names are one person, different names two). A person seen once keeps an own label. Labels count up
    in the order of first appearance, whatever the order of linking.
    """
    s = settings or LinkSettings()
    known = [i for i, v in enumerate(vectors) if v is not None]
    labels = [UNKNOWN] * len(vectors)
    if known:
        data = np.array([vectors[i] for i in known], dtype=np.float64)
        raw = distances(data)
        groups = _average_linkage(_constrained(raw, known, frames, names), s.same)
        for i, group in zip(known, _sure(raw, groups, [bool(names and names[i]) for i in known], s), strict=True):
            labels[i] = group
    return _renumbered(labels, names)


def distances(data: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """All Euclidean distances (n, n) of vectors (n, k)."""
    square = (data**2).sum(axis=1)
    return np.asarray(np.sqrt(np.clip(square[:, None] + square[None, :] - 2 * data @ data.T, 0, None)))


FORBIDDEN = 10.0
"""A distance that no average brings below `same` within a shoot."""


def _constrained(
    raw: npt.NDArray[np.float64],
    known: list[int],
    frames: Sequence[Hashable] | None,
    names: Sequence[str | None] | None,
) -> npt.NDArray[np.float64]:
    bound = raw.copy()
    if frames is not None:
        code = {frame: i for i, frame in enumerate(dict.fromkeys(frames))}
        of = np.array([code[frames[i]] for i in known])
        bound[of[:, None] == of[None, :]] = FORBIDDEN
    if names is not None:
        code = {name: i for i, name in enumerate(dict.fromkeys(names)) if name is not None}
        of = np.array([code.get(names[i] or "", -1) for i in known])
        both = (of[:, None] >= 0) & (of[None, :] >= 0)
        bound[both & (of[:, None] != of[None, :])] = FORBIDDEN
        bound[both & (of[:, None] == of[None, :])] = 0.0
    np.fill_diagonal(bound, 0.0)
    return bound


def _average_linkage(matrix: npt.NDArray[np.float64], limit: float) -> npt.NDArray[np.int64]:
    if len(matrix) == 1:
        return np.zeros(1, np.int64)
    from scipy.cluster.hierarchy import fcluster, linkage
    from scipy.spatial.distance import squareform

    tree = linkage(squareform(matrix, checks=False), method="average")
    return np.asarray(fcluster(tree, limit, criterion="distance"), dtype=np.int64)


def _sure(raw: npt.NDArray[np.float64], groups: npt.NDArray[np.int64], named: list[bool], s: LinkSettings) -> list[int]:
    """The groups, with faces that are loose or between two persons set to `UNKNOWN`; named faces keep theirs."""
    members = {int(g): np.nonzero(groups == g)[0] for g in np.unique(groups)}
    result = []
    for i, group in enumerate(groups):
        to = {g: float(raw[i, m[m != i]].mean()) for g, m in members.items() if (m != i).any()}
        own = to.pop(int(group), None)
        nearest_other = min(to.values(), default=np.inf)
        unsure = own is not None and (own > s.loose or nearest_other < own + s.ambiguous)
        result.append(UNKNOWN if unsure and not named[i] else int(group))
    return result


def _renumbered(labels: list[int], names: Sequence[str | None] | None) -> tuple[int, ...]:
    """Labels 0, 1, ... by first appearance; faces with a name but no vector join their name's label."""
    of_name: dict[str, int] = {}
    fresh = max(labels, default=UNKNOWN) + 1
    for i, name in enumerate(names or ()):
        if name is None:
            continue
        if labels[i] != UNKNOWN:
            of_name.setdefault(name, labels[i])
    for i, name in enumerate(names or ()):
        if name is not None and labels[i] == UNKNOWN:
            if name not in of_name:
                of_name[name] = fresh
                fresh += 1
            labels[i] = of_name[name]
    order = {label: n for n, label in enumerate(dict.fromkeys(label for label in labels if label != UNKNOWN))}
    return tuple(order.get(label, UNKNOWN) for label in labels)
