"""Measuring one frame, in a worker process: decode once, find the faces, take their skin, make a small proxy."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from xmpsync.errors import FrameError, Trouble
from xmpsync.faces.finder import FaceFinder, make_finder
from xmpsync.faces.records import FoundFace
from xmpsync.measurement import Face, FrameMeasurement, MarkedPlace, Neutral, Scene
from xmpsync.read.header import RawHeader, read_header
from xmpsync.read.overview import Overview, overview
from xmpsync.read.picture import encode_jpeg
from xmpsync.read.profile import profile_for
from xmpsync.read.raw import RawImage, open_raw
from xmpsync.records import Box, Vec3
from xmpsync.skin.measure import measure_face, measure_neutral
from xmpsync.skin.records import FaceSkin, Unusable
from xmpsync.xmp.embedded import embedded_packet
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.regions import Regions, oriented, read_regions


@dataclass(frozen=True, slots=True)
class MeasureSettings:
    """How a frame is measured.

    `detection_side_px`: long side of the picture that the detector sees; larger finds smaller faces, at square cost.
    `proxy_side_px`: long side of the stored proxy, enough for the page. `margin`: room around a face's places, in
    parts of its box. `patch_radius`: half size of a hand-marked
    patch, in fractions of the picture's long side. `scene_step`: every how many cells of the overview count for level
    and colour of the scene; 75,000 of 680,000 place a percentile as well.
    """

    detection_side_px: int = 1024
    proxy_side_px: int = 480
    margin: float = 0.1
    patch_radius: float = 0.008
    scene_step: int = 3


SETTINGS = MeasureSettings()

NO_REGIONS = Regions(None, ())


@dataclass(frozen=True, slots=True)
class MeasureJob:
    """One frame to measure. `packet` is the sidecar's, None where only the RAW may hold one."""

    frame_id: str
    raw: str
    packet: bytes | None
    marks: tuple[MarkedPlace, ...]
    people: bool


def measure_frame(job: MeasureJob) -> FrameMeasurement | Trouble:
    """Measure one frame; every expected trouble is a `Trouble`."""
    try:
        return _measure(job)
    except FrameError as error:
        return Trouble(job.frame_id, error.what.replace(job.raw, job.frame_id), error.next_step)
    except MemoryError:
        what = f"{job.frame_id}: not enough memory to decode this frame."
        return Trouble(job.frame_id, what, "Use fewer workers (--jobs 1).")


def _measure(job: MeasureJob) -> FrameMeasurement:
    raw = open_raw(Path(job.raw), read_header(Path(job.raw)))
    header = raw.header
    profile, profile_note = profile_for(header, raw)
    regions, notes = _regions(job.packet, header)
    neutral = header.as_shot_neutral or raw.as_shot_neutral
    shown = overview(raw, SETTINGS.detection_side_px)
    found, face_notes = _finder(job.people).find(
        shown.camera,
        neutral=neutral,
        regions=[(face.name, face.box) for face in regions.faces],
        hands=[(m.name, (m.x, m.y)) for m in job.marks if m.kind == "skin"],
    )
    faces = tuple(_measured_face(face, raw, neutral) for face in found)
    return FrameMeasurement(
        capture=header.capture,
        unique_camera_model=header.unique_camera_model,
        profile=profile,
        as_shot_neutral=neutral,
        baseline_exposure_ev=header.baseline_exposure_ev,
        scene=scene_of(shown),
        faces=faces,
        neutrals=_neutrals(job.marks, raw),
        proxy=_proxy(shown),
        embedded_xmp=header.embedded_xmp,
        notes=tuple(n for n in (profile_note, *raw.notes, *notes, *face_notes) if n),
    )


def _regions(sidecar: bytes | None, header: RawHeader) -> tuple[Regions, tuple[str, ...]]:
    if sidecar is None and header.embedded_xmp is None:
        return NO_REGIONS, ()
    try:
        packet = Packet.parse(sidecar) if sidecar is not None else embedded_packet(header.embedded_xmp or b"")
        regions = read_regions(packet)
    except FrameError as error:
        return NO_REGIONS, (f"The packet's face regions cannot be read: {error.what}",)
    capture = header.capture
    turned = capture.orientation >= 5
    stored = (capture.height, capture.width) if turned else (capture.width, capture.height)
    return oriented(regions, capture.orientation, stored), ()


@lru_cache(maxsize=1)
def _finder(people: bool) -> FaceFinder:
    """The face finder of this process; its models are loaded once."""
    return make_finder(people=people)


def _measured_face(face: FoundFace, raw: RawImage, neutral: Vec3 | None) -> Face:
    skin = measure_face(raw.cells(_area(face)), face.places, neutral=neutral)
    return Face(
        face_id=face.face_id,
        box=face.box,
        origin=face.origin.value,
        name=face.name,
        score=face.score,
        yaw_deg=face.yaw_deg,
        skin=skin if isinstance(skin, FaceSkin) else None,
        unusable=None if isinstance(skin, FaceSkin) else skin,
        identity=face.identity,
        identity_sd=face.identity_sd,
    )


def _area(face: FoundFace) -> Box:
    """The face's box and all its places, with a margin."""
    xs = [x for place in face.places for x, _ in place.polygon] + [face.box.left, face.box.left + face.box.width]
    ys = [y for place in face.places for _, y in place.polygon] + [face.box.top, face.box.top + face.box.height]
    wide, high = SETTINGS.margin * face.box.width, SETTINGS.margin * face.box.height
    return Box(min(xs) - wide, min(ys) - high, max(xs) - min(xs) + 2 * wide, max(ys) - min(ys) + 2 * high)


def _neutrals(marks: tuple[MarkedPlace, ...], raw: RawImage) -> tuple[Neutral, ...]:
    found = []
    for mark in marks:
        if mark.kind == "neutral":
            r = SETTINGS.patch_radius * 3
            cells = raw.cells(Box(mark.x - r, mark.y - r, 2 * r, 2 * r))
            patch = measure_neutral(cells, mark.x, mark.y, SETTINGS.patch_radius)
            if not isinstance(patch, Unusable):
                found.append(Neutral(patch.camera, mark.x, mark.y))
    return tuple(found)


def scene_of(shown: Overview) -> Scene:
    """Levels and clipping of the whole frame, from every `scene_step`-th cell of its overview each way."""
    step = SETTINGS.scene_step
    red, green, blue = (np.ascontiguousarray(shown.camera[::step, ::step, c]).reshape(-1) for c in range(3))
    clipped = shown.clipped[::step, ::step].reshape(-1)
    largest = np.maximum(np.maximum(red, green), blue)
    clean = ~clipped & (np.minimum(np.minimum(red, green), blue) > 0)
    log_mean = [float(np.log(c[clean]).mean(dtype=np.float64)) if clean.any() else 0.0 for c in (red, green, blue)]
    return Scene(
        green_percentiles=tuple(float(v) for v in np.percentile(green, [1, 5, 25, 50, 75, 95, 99, 99.9])),
        log_mean_camera=(log_mean[0], log_mean[1], log_mean[2]),
        clipped_fraction=float(clipped.mean()),
        channel_max_percentiles=tuple(float(v) for v in np.percentile(largest, [95, 99, 99.9])),
    )


def _proxy(shown: Overview) -> bytes:
    step = max(1, round(max(shown.camera.shape[:2]) / SETTINGS.proxy_side_px))
    height, width = (n // step * step for n in shown.camera.shape[:2])
    lines = shown.camera[:height:step, :width].copy()
    for down in range(1, step):  # whole lines first: numpy is slow along three values
        lines += shown.camera[down:height:step, :width]
    small = lines[:, ::step].copy()
    for across in range(1, step):
        small += lines[:, across::step]
    small *= np.float32(255.0**2 / (step * step))
    encoded = np.sqrt(np.clip(small, 0.0, np.float32(255.0**2), out=small), out=small)
    encoded += np.float32(0.5)
    return encode_jpeg(encoded.astype(np.uint8), 92)
