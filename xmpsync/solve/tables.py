"""The request as arrays, in an order that does not depend on the order of the files."""

from __future__ import annotations

from dataclasses import dataclass
from math import log

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp

from xmpsync.colour.arrays import FloatArray, apply, by_component, inner_first, outer_last
from xmpsync.colour.camera import xyz_from_camera, xyz_from_camera_jacobian
from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.measurement import Face
from xmpsync.records import Develop
from xmpsync.solve.coordinate import Coordinates, coordinates
from xmpsync.solve.problem import Frame, Request
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.skin_regions import corrections

IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """Faces (rows) seen through one profile, the settings (rows) they are rendered at (each once), and the place of
    each face's settings among these."""

    faces: IntArray
    settings: IntArray
    back: IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """Faces (N,) with linear camera values (N, 3), one view for each profile, and their baseline exposures (N,)."""

    profiles: tuple[CameraProfile, ...]
    views: tuple[View, ...]
    camera: FloatArray
    exposure: FloatArray

    def at(self, whites: FloatArray, exposure_ev: FloatArray | float = 0.0) -> Coordinates:
        """Coordinates of the faces, whites (S, 2 or 3) being the settings: mired, tint; exposures are the faces'."""
        exposure = self.exposure + exposure_ev
        pieces = []
        for profile, view in zip(self.profiles, self.views, strict=True):
            if len(view.faces):
                lens = xyz_from_camera_jacobian(profile, 1e6 / whites[view.settings, 0], whites[view.settings, 1])
                matrix, by_mired, by_tint = (
                    outer_last(np.take(inner_first(m, 2), view.back, axis=-1), 2) for m in lens
                )
                camera = by_component(self.camera[view.faces], 1)
                pieces.append(coordinates(matrix, by_mired, by_tint, camera, exposure[view.faces]))
        if len(pieces) == 1:
            return pieces[0]
        n = len(self.camera)
        out = Coordinates(*(by_component(np.empty((n, *shape)), len(shape)) for shape in ((3,), (3, 3), (3, 3))))
        for view, piece in zip([v for v in self.views if len(v.faces)], pieces, strict=True):
            for whole, values in zip(out, piece, strict=True):
                whole[view.faces] = values
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """F frames sorted by body, time and name; N usable faces sorted by frame.

    `settings_ev` (F,): log2(t ISO / N^2), NaN where the file does not say. `scene` (F, 4): ln of the median green and
    of the mean colour, NaN where it is not known. `as_shot` and `baseline` (F, 3): mired, tint, EV. `fixed` (F,):
    frames whose correction is given (references, held) at `baseline`. `face_*` concern faces with skin; `faces` are
    their records; `exclusive` (N,) is their frame, an own number for skin marked by hand (it may show the same person
    again).
    """

    frames: tuple[Frame, ...]
    profiles: tuple[CameraProfile, ...]
    face_profile: IntArray
    views: tuple[View, ...]
    body: IntArray
    time_s: FloatArray
    settings_ev: FloatArray
    flash: BoolArray
    scene: FloatArray
    as_shot: FloatArray
    as_shot_known: BoolArray
    baseline: FloatArray
    baseline_exposure: FloatArray
    fixed: BoolArray
    faces: tuple[Face, ...]
    face_frame: IntArray
    exclusive: IntArray
    face_camera: FloatArray
    face_log_covariance: FloatArray

    @property
    def n_frames(self) -> int:
        return len(self.frames)

    @property
    def n_faces(self) -> int:
        return len(self.faces)

    def index_of(self, frame_id: str) -> int | None:
        """Row of a frame, None where there is none."""
        for index, frame in enumerate(self.frames):
            if frame.frame_id == frame_id:
                return index
        return None

    def faces_at(self, theta: FloatArray) -> Coordinates:
        """Coordinates of all faces with the frames at theta (F, 3): mired, tint, EV."""
        seen = Seen(self.profiles, self.views, self.face_camera, self.baseline_exposure[self.face_frame])
        return seen.at(theta, theta[self.face_frame, 2])

    def faces_at_rows(self, theta: FloatArray, rows: IntArray) -> Coordinates:
        """`faces_at` for some faces only (rows)."""
        return self._seen(rows, self.face_frame[rows]).at(theta, theta[self.face_frame[rows], 2])

    def seen_by(self, light: IntArray) -> Seen:
        """The faces when all frames of a light (F,) have one white."""
        return self._seen(np.arange(self.n_faces), light[self.face_frame])

    def _seen(self, rows: IntArray, settings: IntArray) -> Seen:
        views = _views(self.face_profile[rows], settings, len(self.profiles))
        return Seen(self.profiles, views, self.face_camera[rows], self.baseline_exposure[self.face_frame[rows]])

    def xyz(self, frame: int, theta: FloatArray, camera: FloatArray) -> FloatArray:
        """XYZ D50 (..., 3) of camera values of one frame at theta (3,)."""
        matrix = xyz_from_camera(self.frames[frame].profile, 1e6 / theta[0], theta[1])
        return np.asarray(np.exp2(theta[2] + self.baseline_exposure[frame]) * apply(matrix, camera))


def build(
    request: Request,
    fixed_ids: frozenset[str],
    settings: SolveSettings,
    without: frozenset[tuple[str, str]] = frozenset(),
) -> Table:
    """The table of a request; `fixed_ids` are the reference frames (held ones are fixed as well), `without` the faces
    (frame, face) that are left out."""
    bodies = {body: i for i, body in enumerate(sorted({f.capture.body for f in request.frames}))}

    def order(frame: Frame) -> tuple[int, float, str]:
        time = frame.capture.time_s
        return bodies[frame.capture.body], float("inf") if time is None else time, frame.frame_id

    frames = tuple(sorted(request.frames, key=order))
    profiles = tuple(dict.fromkeys(f.profile for f in frames))
    profile_of = {p: i for i, p in enumerate(profiles)}
    frame_profile = np.array([profile_of[f.profile] for f in frames], dtype=np.intp)
    pairs = [
        (i, face)
        for i, frame in enumerate(frames)
        for face in sorted(frame.faces, key=lambda f: f.face_id)
        if face.skin is not None and min(face.skin.camera) > 0 and (frame.frame_id, face.face_id) not in without
    ]
    face_frame = np.array([i for i, _ in pairs], dtype=np.intp)
    like = corrections(tuple(face.skin for _, face in pairs if face.skin))
    floor = settings.noise_floor**2 * np.eye(3)
    face_profile = frame_profile[face_frame]
    return Table(
        frames=frames,
        profiles=profiles,
        face_profile=face_profile,
        views=_views(face_profile, face_frame, len(profiles)),
        body=np.array([bodies[f.capture.body] for f in frames], dtype=np.intp),
        time_s=_times(frames),
        settings_ev=np.array([settings_ev(f) for f in frames]),
        flash=np.array([bool(f.capture.flash_fired) for f in frames]),
        scene=np.array([_scene(f) for f in frames]).reshape(-1, 4),
        as_shot=np.array([_theta(f.as_shot) for f in frames]).reshape(-1, 3),
        as_shot_known=np.array([f.as_shot_known for f in frames]),
        baseline=np.array([_theta(f.baseline) for f in frames]).reshape(-1, 3),
        baseline_exposure=np.array([f.baseline_exposure_ev for f in frames]),
        fixed=np.array([f.held or f.frame_id in fixed_ids for f in frames]),
        faces=tuple(face for _, face in pairs),
        face_frame=face_frame,
        exclusive=np.array([-1 - k if face.by_hand else i for k, (i, face) in enumerate(pairs)], dtype=np.intp),
        face_camera=np.array([face.skin.camera for _, face in pairs if face.skin]).reshape(-1, 3) * np.exp(like),
        face_log_covariance=np.array([face.skin.log_covariance for _, face in pairs if face.skin]).reshape(-1, 3, 3)
        + floor,
    )


def _views(face_profile: IntArray, settings: IntArray, n_profiles: int) -> tuple[View, ...]:
    views = []
    for profile in range(n_profiles):
        faces = np.flatnonzero(face_profile == profile)
        views.append(View(faces, *np.unique(settings[faces], return_inverse=True)))
    return tuple(views)


def summed(group: IntArray, values: FloatArray, n_groups: int) -> FloatArray:
    """Sums (G, ...) of values (n, ...) over the members of each group (n,)."""
    member = sp.csc_array((np.ones(len(group)), group, np.arange(len(group) + 1)), shape=(n_groups, len(group)))
    flat = np.ascontiguousarray(values).reshape(len(values), int(np.prod(values.shape[1:])))
    return np.asarray(member @ flat).reshape(n_groups, *values.shape[1:])


def totals(index: IntArray, values: FloatArray, n: int) -> FloatArray:
    """Sums (n,) of values (E,) at places (E,): `np.bincount`, floats also where there is no value."""
    return np.asarray(np.bincount(index, weights=values, minlength=n), dtype=np.float64)


def medians(values: FloatArray, label: IntArray, use: BoolArray, n: int) -> FloatArray:
    """Medians (n,) or (n, k) of those values (rows,) or (rows, k) of each label that count (`use`); NaN without one."""
    if values.ndim > 1:
        return np.stack([medians(column, label, use, n) for column in values.T], axis=1)
    rows = np.flatnonzero(use)
    rows = rows[np.lexsort((values[rows], label[rows]))]
    first = np.searchsorted(label[rows], np.arange(n))
    count = np.diff(np.append(first, len(rows)))
    out = np.full(n, np.nan)
    known = count > 0
    first, count = first[known], count[known]
    out[known] = 0.5 * (values[rows[first + (count - 1) // 2]] + values[rows[first + count // 2]])
    return out


def members(label: IntArray, n: int) -> list[IntArray]:
    """Rows of each label 0..n-1, rising: one sort for all of them."""
    order = np.argsort(label, kind="stable")
    return np.split(order, np.searchsorted(label[order], np.arange(1, n))) if n else []


def settings_ev(frame: Frame) -> float:
    """log2(t ISO / N^2) of the exposure settings: one more means a picture one EV brighter. NaN where unknown.

    A lens without contacts reports no f-number (or 0): then nothing is known.
    """
    c = frame.capture
    if not c.exposure_s or not c.f_number or not c.iso or min(c.exposure_s, c.f_number, c.iso) <= 0:
        return float("nan")
    return float(np.log2(c.exposure_s * c.iso / c.f_number**2))


def _scene(frame: Frame) -> tuple[float, float, float, float]:
    scene = frame.scene
    if len(scene.green_percentiles) < 4 or scene.green_percentiles[3] <= 0 or not any(scene.log_mean_camera):
        return (float("nan"),) * 4
    return log(scene.green_percentiles[3]), *scene.log_mean_camera


def _theta(settings: Develop) -> tuple[float, float, float]:
    return 1e6 / settings.temperature_k, settings.tint, settings.exposure_ev


def _times(frames: tuple[Frame, ...]) -> FloatArray:
    """Seconds; a frame without a time follows the one before it of its body by a second (order of names)."""
    times = np.zeros(len(frames))
    last, last_body = 0.0, None
    for i, frame in enumerate(frames):
        body, time = frame.capture.body, frame.capture.time_s
        if body != last_body:
            last, last_body = 0.0, body
        last = time if time is not None else last + 1.0
        times[i] = last
    return times
