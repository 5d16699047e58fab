"""What the solver answers: a correction or a reason for every frame, findings with advice, persons and groups."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from xmpsync.records import Develop


class Code(StrEnum):
    """Stable codes of findings (they appear in JSON)."""

    MIXED_LIGHT = "mixed-light"
    CLIPPED_SKIN = "clipped-skin"
    NO_FACE = "no-face"
    FEW_PIXELS = "few-pixels"
    UNCERTAIN = "uncertain"
    CLAMPED = "clamped"
    NEUTRAL_CAST = "neutral-cast"
    HIGHLIGHTS = "highlights"
    LARGE_CHANGE = "large-change"
    BEYOND_WHITE_BALANCE = "beyond-white-balance"
    UNLINKED_PERSON = "person-never-linked-to-a-reference"
    UNKNOWN_PERSON = "unknown-person"
    LOOK_DIFFERS = "look-differs"
    LOCAL_CORRECTIONS = "local-corrections"
    MONOCHROME = "monochrome"
    OTHER_CAMERA = "other-camera"


NEEDS_HANDWORK = frozenset(
    {
        Code.MIXED_LIGHT,
        Code.CLIPPED_SKIN,
        Code.UNCERTAIN,
        Code.CLAMPED,
        Code.NEUTRAL_CAST,
        Code.HIGHLIGHTS,
        Code.LARGE_CHANGE,
        Code.BEYOND_WHITE_BALANCE,
    }
)
"""Findings after which a person should look at the frame; the others only explain."""


class Unjudged(StrEnum):
    """Why a face with skin counts in no figure (they appear in JSON)."""

    UNKNOWN_PERSON = "unknown-person"
    NO_REFERENCE = "no-reference"
    MIXED_LIGHT = "mixed-light"
    CLIPPED_SKIN = "clipped-skin"
    HELD = "held"
    LEFT_ALONE = "left-alone"


class Ending(StrEnum):
    """How the solve ended."""

    CONVERGED = "converged"
    PASS_LIMIT = "pass-limit"


class Basis(StrEnum):
    """What a frame's answer rests on."""

    FACES = "faces"
    GROUP = "group"
    REFERENCE = "reference"
    HELD = "held"
    LEFT_ALONE = "left-alone"
    BY_HAND = "by-hand"
    """Nothing was found, and the photographer nudged it from where it stands."""


@dataclass(frozen=True, slots=True)
class LocalDifference:
    """What one face still needs beyond the frame's correction, for local work by hand."""

    face_id: str
    person: str | None
    d_exposure_ev: float
    d_mired: float
    d_tint: float


@dataclass(frozen=True, slots=True)
class Finding:
    """Something a person should know about a frame, with advice in one sentence.

    `properties`: of the sidecar, where the finding is about them (`crs:Dehaze`).
    """

    code: Code
    advice: str
    local: tuple[LocalDifference, ...] = ()
    properties: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FaceResult:
    """One face after the solve. Differences against the person's own colour; None where it has none or no skin.

    `delta_e00_*` at equal luminance, `level_ev_*` = log2 of the luminance ratio, at the baseline
    and at the written (rounded) correction. `person` is None where nobody is known with probability 0.95;
    `probability` is of the most probable person, `perhaps` its name where it is not known. `unjudged`: why `check` does
    not count this face, None where it does.
    """

    face_id: str
    person: str | None
    probability: float
    delta_e00_before: float | None
    delta_e00_after: float | None
    level_ev_before: float | None
    level_ev_after: float | None
    unjudged: Unjudged | None = None
    perhaps: str | None = None

    @property
    def judged(self) -> bool:
        return self.unjudged is None


@dataclass(frozen=True, slots=True)
class FrameResult:
    """The answer for one frame. `correction` is rounded and clamped to what the sidecar can hold.

    It is None when the frame is to be left as it is (reference, held, left alone).
    """

    frame_id: str
    basis: Basis
    group: int
    correction: Develop | None
    sd_mired: float
    sd_tint: float
    sd_ev: float
    faces: tuple[FaceResult, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Person:
    """A person's own colour (CIELAB D50 of the linear rendering), how many faces, and if a reference fixes it.

    `alike_to`: persons whose faces lie so close in identity that the tool cannot be sure which is which (siblings,
    twins, children): names are asked for. `linked`: a chain of lights ties this person to a reference.
    """

    name: str
    lab_d50: tuple[float, float, float]
    n_faces: int
    referenced: bool
    reference_spread_de00: float = 0.0
    alike_to: tuple[str, ...] = ()
    linked: bool = True


@dataclass(frozen=True, slots=True)
class Group:
    """One light group: its frames in time order, the strength applied, the estimated width of its exposure coupling."""

    index: int
    frame_ids: tuple[str, ...]
    strength: float
    exposure_coupling_sd_ev: float | None


@dataclass(frozen=True, slots=True)
class Solution:
    """Every frame of the request, in the order of the request. `passes`: accepted steps until the ending."""

    frames: tuple[FrameResult, ...]
    persons: tuple[Person, ...]
    groups: tuple[Group, ...]
    notes: tuple[str, ...] = ()
    ending: Ending = Ending.CONVERGED
    passes: int = 0
