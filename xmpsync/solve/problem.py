"""What the solver is given. Pure data; `xmpsync.solve.solution` holds what it answers."""

from __future__ import annotations

from dataclasses import dataclass, field

from xmpsync.colour.profile import CameraProfile
from xmpsync.records import Box, Capture, Settings3, Vec3
from xmpsync.skin.records import FaceSkin, Unusable


@dataclass(frozen=True, slots=True)
class Face:
    """One face (or hand-marked skin patch) of a frame. `skin` is None where `unusable` says why.

    `named_by_hand`: the name was given by the photographer for this very face, not read from a region: it is certain.
    `identity` (128,): the network's vector; `identity_sd`: how far such a vector of this size, blur and darkness lies
    from its person's own, as a distance (None: the calibrated value of a good face).
    """

    face_id: str
    box: Box
    name: str | None = None
    skin: FaceSkin | None = None
    unusable: Unusable | None = None
    identity: tuple[float, ...] | None = None
    identity_sd: float | None = None
    by_hand: bool = False
    named_by_hand: bool = False


@dataclass(frozen=True, slots=True)
class Neutral:
    """A patch that a person marked as neutral: linear camera value, and its place."""

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
class Frame:
    """One frame as the solver sees it.

    `as_shot`: the as-shot white expressed through `profile` (exposure 0). `baseline`: where the frame stands now;
    `baseline_known` is False for a preset or Auto without numbers (then baseline = as-shot and it cannot be a
    reference). `baseline_exposure_ev`: the file's own baseline exposure, added to every exposure when rendering.
    `held`: never changed, serves as an anchor. `as_shot_known` is False where the file does not give its neutral:
    `as_shot` is then a stand-in from which nothing may be concluded or written.
    """

    frame_id: str
    profile: CameraProfile
    capture: Capture
    as_shot: Settings3
    baseline: Settings3
    baseline_known: bool = True
    baseline_exposure_ev: float = 0.0
    faces: tuple[Face, ...] = ()
    neutrals: tuple[Neutral, ...] = ()
    scene: Scene = field(default_factory=Scene)
    held: bool = False
    as_shot_known: bool = True


@dataclass(frozen=True, slots=True)
class Reference:
    """The skin a person should have: from a frame (`frame_id`, optionally the picked `face_id`), or as CIELAB D50.

    `person` None: the frame serves each person in it.
    """

    person: str | None = None
    frame_id: str | None = None
    face_id: str | None = None
    lab_d50: Vec3 | None = None


@dataclass(frozen=True, slots=True)
class GroupStrength:
    """Strength for the light group that contains `frame_id`."""

    frame_id: str
    strength: float


@dataclass(frozen=True, slots=True)
class Nudge:
    """What the photographer adds by eye to one frame, or to all frames of its light (`whole_light`).

    Named by what is seen: `warmer_mired` renders warmer (the setting falls by so many mired), `tint` more magenta,
    `exposure_ev` brighter.
    """

    frame_id: str
    warmer_mired: float
    tint: float
    exposure_ev: float
    whole_light: bool = False


@dataclass(frozen=True, slots=True)
class Request:
    """The whole question: frames in any order, references, and what the user asked for."""

    frames: tuple[Frame, ...]
    references: tuple[Reference, ...]
    strength: float = 1.0
    group_strengths: tuple[GroupStrength, ...] = ()
    neutral_weight: float = 0.0
    tolerance_de00: float = 2.0
    tolerance_ev: float = 0.25
    nudges: tuple[Nudge, ...] = ()
