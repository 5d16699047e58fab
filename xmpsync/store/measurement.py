"""What measuring one frame yields: everything that later steps need, so that the RAW is decoded once."""

from __future__ import annotations

from dataclasses import dataclass, field

from xmpsync.colour.profile import CameraProfile
from xmpsync.records import Box, Capture, Vec3
from xmpsync.skin.records import FaceSkin, Unusable
from xmpsync.solve.problem import Scene

VERSION = 4
"""Raise it when a measurement of the same RAW would come out differently: stored ones are then made anew."""


@dataclass(frozen=True, slots=True)
class MeasuredFace:
    """One face or hand-marked patch with its skin, or the reason why it has none."""

    face_id: str
    box: Box
    origin: str
    name: str | None = None
    score: float = 1.0
    yaw_deg: float | None = None
    skin: FaceSkin | None = None
    unusable: Unusable | None = None
    identity: tuple[float, ...] | None = None
    identity_sd: float | None = None


@dataclass(frozen=True, slots=True)
class MeasuredNeutral:
    """A hand-marked neutral patch."""

    x: float
    y: float
    camera: Vec3


@dataclass(frozen=True, slots=True)
class FrameMeasurement:
    """One measured frame.

    `proxy` is a small upright JPEG of the linear camera colours, each channel encoded as its square root (0..1), so
    that it can be rendered at any settings later. `embedded_xmp` is the packet inside the RAW, if there is one.
    """

    capture: Capture
    unique_camera_model: str
    profile: CameraProfile
    as_shot_neutral: Vec3 | None
    baseline_exposure_ev: float = 0.0
    scene: Scene = field(default_factory=Scene)
    faces: tuple[MeasuredFace, ...] = ()
    neutrals: tuple[MeasuredNeutral, ...] = ()
    proxy: bytes = b""
    embedded_xmp: bytes | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Mark:
    """A place that a person pointed at: skin (whose, if named) or something neutral; fractions, upright picture."""

    frame_id: str
    kind: str
    x: float
    y: float
    name: str | None = None


@dataclass(frozen=True, slots=True)
class Pair:
    """An editor's own numbers for a frame's as-shot white: (camera neutral -> temperature, tint) in its scale."""

    frame_id: str
    body: str
    neutral: Vec3
    temperature_k: float
    tint: float
