"""What measuring one frame yields: the records that worker, store and solver share, so that the RAW is decoded once."""

from __future__ import annotations

from dataclasses import dataclass, field

from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.records import Box, Capture, Vec3
from xmpsync.skin.records import FaceSkin, Unusable

VERSION = 4
"""Raise it when a measurement of the same RAW would come out differently: stored ones are then made anew."""

BY_HAND = "hand"
"""Origin of a skin patch that a person pointed at."""


@dataclass(frozen=True, slots=True)
class Face:
    """One face (or hand-marked skin patch) of a frame. `skin` is None where `unusable` gives the reason.

    `identity` (128,): the network's vector; `identity_sd`: how far such a vector of this size, blur and darkness lies
    from its person's own, as a distance (None: the calibrated value of a good face). `origin`: where the face comes
    from (region, detector, both, hand). `named_by_hand`: the name was given by the photographer for this very face, not
    read from a region: it is certain; never stored.
    """

    face_id: str
    box: Box
    name: str | None = None
    skin: FaceSkin | None = None
    unusable: Unusable | None = None
    identity: tuple[float, ...] | None = None
    identity_sd: float | None = None
    origin: str = ""
    score: float = 1.0
    yaw_deg: float | None = None
    named_by_hand: bool = False

    @property
    def by_hand(self) -> bool:
        """A patch that a person pointed at, outside what the detector calls a face."""
        return self.origin == BY_HAND


@dataclass(frozen=True, slots=True)
class Neutral:
    """A patch that a person marked as neutral: linear camera value, and its place (fractions, upright picture)."""

    camera: Vec3
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Scene:
    """Statistics of the whole frame in linear camera values, for levels, clipping and mood.

    `green_percentiles`: linear green at 1, 5, 25, 50, 75, 95, 99, 99.9 %. `log_mean_camera`: mean of ln(R, G, B)
    over unclipped cells (grey-world cue). `clipped_fraction`: cells with a channel at white level.
    `channel_max_percentiles`: largest channel of each cell at 95, 99, 99.9 % (predicts what an exposure clips).
    """

    green_percentiles: tuple[float, ...] = ()
    log_mean_camera: Vec3 = (0.0, 0.0, 0.0)
    clipped_fraction: float = 0.0
    channel_max_percentiles: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class FrameMeasurement:
    """One measured frame.

    `proxy` is a small upright JPEG of the linear camera colours, each channel encoded as its square root (0..1), so
    that it can be rendered at any settings later; empty where the store holds it. `embedded_xmp` is the packet inside
    the RAW, if there is one.
    """

    capture: Capture
    unique_camera_model: str
    profile: CameraProfile
    as_shot_neutral: Vec3 | None
    baseline_exposure_ev: float = 0.0
    scene: Scene = field(default_factory=Scene)
    faces: tuple[Face, ...] = ()
    neutrals: tuple[Neutral, ...] = ()
    proxy: bytes = b""
    embedded_xmp: bytes | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MarkedPlace:
    """A place that a person pointed at: skin (whose, if named) or something neutral; fractions, upright picture."""

    frame_id: str
    kind: str
    x: float
    y: float
    name: str | None = None


@dataclass(frozen=True, slots=True)
class AsShotPair:
    """An editor's own numbers for a frame's as-shot white: (camera neutral -> temperature, tint) in its scale."""

    frame_id: str
    body: str
    neutral: Vec3
    temperature_k: float
    tint: float
