"""A shoot on disk whose frames are measured already: RAW files, sidecars, and the store that holds the measurements.

What stands in for what: the measurements are those of the simulated shoots of `benchmarks.solve` (two faces in a
frame on average). The RAW files are DNG files with a 16 x 16 sensor, written once for each body and made distinct by
some bytes at their end: a plan only lists them, and reads the header of one for each camera. Proxies are one JPEG of
the usual size. So everything that a plan does is real, but for the sensor data that it does not open.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmarks.skin.cameras import Camera
from benchmarks.skin.spectra import SkinSpectrum
from benchmarks.solve.cost import request_of_size
from benchmarks.speed.sidecars import Holds, sidecar
from demo_shoot.dng import DngProfile, write_dng
from xmpsync.colour.camera import neutral_from_white
from xmpsync.measurement import FrameMeasurement
from xmpsync.measuring.frames import STORE_NAME, face_key, regions_of
from xmpsync.measuring.machine import Machine
from xmpsync.measuring.source import SourceFrame
from xmpsync.plan.options import Options
from xmpsync.read.fingerprint import fingerprint
from xmpsync.read.picture import encode_jpeg
from xmpsync.records import Vec3
from xmpsync.shoot.load import load
from xmpsync.solve.problem import Frame
from xmpsync.store.database import FileKey, Store

PROXY_SIZE = (320, 480)
ABSENT, EMBEDDED = 7, 11
"""Every seventh frame has no sidecar; every eleventh of those has a packet inside the RAW instead."""
CUSTOM = 4
"""Every fourth sidecar holds numbers that somebody chose; the others say `As Shot` and the editor's own numbers."""


@dataclass(frozen=True, slots=True)
class Made:
    """A finished shoot: its folder, the reference frame, and how much of what it holds."""

    root: Path
    reference: str
    n_frames: int
    n_faces: int
    sidecar_bytes: tuple[int, ...]


def make_measured(
    root: Path, n_frames: int, who: str, bodies: list[Camera], skins: list[SkinSpectrum], seed: int = 1
) -> Made:
    """Write the shoot and fill its store. Takes some minutes for 20,000 frames."""
    request = request_of_size(n_frames, who, bodies, skins, seed)
    frames = {_frame_id(frame): frame for frame in request.frames}
    raws = {profile: _raw(root, profile) for profile in dict.fromkeys(f.profile.name for f in frames.values())}
    proxy = _proxy(np.random.default_rng(seed))
    embedded: dict[str, bytes] = {}
    sizes = []
    for number, (frame_id, frame) in enumerate(frames.items()):
        path = root / frame_id
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(raws[frame.profile.name] + number.to_bytes(8, "little") * (1 + number % 3))
        packet = sidecar(number, _holds(number, frame))
        if number % ABSENT:
            path.with_suffix(".xmp").write_bytes(packet)
            sizes.append(len(packet))
        elif number % EMBEDDED == 0:
            embedded[frame_id] = packet
    told_apart = Machine().people
    state = root / ".xmpsync"
    state.mkdir()
    with Store(state / STORE_NAME) as store:
        store.put_all(
            _row(source, frames[source.frame_id], embedded.get(source.frame_id), proxy, told_apart)
            for source in load(root, Options(), state).frames
        )
    reference = request.references[0].frame_id
    assert reference is not None
    return Made(
        root=root,
        reference=next(i for i, frame in frames.items() if frame.frame_id == reference),
        n_frames=len(frames),
        n_faces=sum(len(frame.faces) for frame in frames.values()),
        sidecar_bytes=tuple(sizes),
    )


def _frame_id(frame: Frame) -> str:
    return f"card_{frame.frame_id[:2]}/frame_{frame.frame_id}.dng"


def _holds(number: int, frame: Frame) -> Holds:
    white = frame.as_shot
    custom = number % CUSTOM == 0
    return Holds(
        white_balance="Custom" if custom else "As Shot",
        temperature_k=round(min(max(white.temperature_k, 2000.0), 50000.0)) + 150 * custom,
        tint=round(min(max(white.tint, -150.0), 150.0)),
        exposure_ev=number % 9 * 0.05 if number % 2 else 0.0,
        faces=[(face.name, face.box) for face in frame.faces],
    )


def _row(
    source: SourceFrame, frame: Frame, packet: bytes | None, proxy: bytes, told_apart: bool
) -> tuple[FileKey, str, str, FrameMeasurement]:
    stat = source.files.raw.stat()
    neutral = neutral_from_white(frame.profile, frame.as_shot.temperature_k, frame.as_shot.tint)
    measurement = FrameMeasurement(
        capture=frame.capture,
        unique_camera_model="Bench Body",
        profile=frame.profile,
        as_shot_neutral=_vec(neutral),
        scene=frame.scene,
        faces=frame.faces,
        proxy=proxy,
        embedded_xmp=packet,
    )
    key = FileKey(source.frame_id, stat.st_size, stat.st_mtime_ns)
    return (
        key,
        face_key(regions_of(source, measurement.embedded_xmp), (), told_apart=told_apart),
        fingerprint(source.files.raw),
        measurement,
    )


def _raw(root: Path, model: str) -> bytes:
    """A DNG with a tiny sensor."""
    root.mkdir(parents=True, exist_ok=True)
    path = root / "one.dng"
    matrix = ((0.9, -0.2, -0.1), (-0.4, 1.2, 0.2), (-0.1, 0.2, 0.7))
    profile = DngProfile(color_matrix_1=matrix, color_matrix_2=matrix, as_shot_neutral=(0.5, 1.0, 0.7))
    write_dng(path, np.full((16, 16), 4000, np.uint16), profile=profile, make="Bench", model=model)
    data = path.read_bytes()
    path.unlink()
    return data


def _proxy(rng: np.random.Generator) -> bytes:
    """A picture with about as much detail as a photograph of this size: some 30 kB."""
    height, width = PROXY_SIZE
    coarse = rng.normal(0.0, 40.0, (height // 16, width // 16, 3)).repeat(16, axis=0).repeat(16, axis=1)
    fine = rng.normal(0.0, 6.0, (height, width, 3))
    return encode_jpeg(np.clip(coarse + fine + 110.0, 0, 255).astype(np.uint8), 92)


def _vec(values: np.ndarray) -> Vec3:
    return float(values[0]), float(values[1]), float(values[2])
