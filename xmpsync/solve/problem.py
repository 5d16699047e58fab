"""What the solver is given. Pure data; `xmpsync.solve.solution` holds what it answers."""

from __future__ import annotations

from dataclasses import dataclass, field

from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.measurement import Face, Neutral, Scene
from xmpsync.records import Capture, Develop, Vec3


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
    as_shot: Develop
    baseline: Develop
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
