"""Constants of the solver, each with unit, default, reason and where it comes from. One frozen record per stage.

`z` = units of the solver's colour coordinate (about one CIEDE2000 unit of skin at equal luminance, see `coordinate`),
`ev` = log2 of luminance; mired and tint as in the sidecar. A variance component given here is a starting value with
the weight of so many observations: the shoot's own data replace it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from xmpsync.records import TEMPERATURE_RANGE_K

MIRED_RANGE = (1e6 / TEMPERATURE_RANGE_K[1], 1e6 / TEMPERATURE_RANGE_K[0])
"""What the temperature field can hold, in mired."""


@dataclass(frozen=True, slots=True)
class MomentSettings:
    """Which frames are one moment: one composition, one setting, taken in one go."""

    longest_gap_s: float = 10.0
    """Between two frames of one burst; common practice, no source."""
    same_scene_ln: float = 0.05
    """Change of the scene's mean colour and median level within a burst: photon noise and small movements."""
    same_white_mired: float = 0.5
    same_white_tint: float = 0.5
    """The camera's white is computed once a burst, or differs by rounding."""


@dataclass(frozen=True, slots=True)
class GroupSettings:
    """Where one light ends and the next begins."""

    change_penalty: float = 44.0
    """Cost of one change point in units of a squared standardised residual: about 4 ln(n) for each of the (mired,
    tint, level) that a new light may change. Two neighbouring lights taken for one cost less than one cut in two."""
    first_part: float = 0.5
    """Of penalty and discounts while it is not known who is who: a light cut in two is joined once it is, but in two
    lights taken for one the persons' own colours take up the difference, and nothing shows it any more."""
    jitter_weight: float = 8.0
    """Steps' worth of belief in the smallest jitters below: a few steps are mostly changes of light or of persons."""
    gap_discount: float = 10.0
    """Taken off the penalty per factor e of the pause over `gap_unit_s`: a pause often is a walk to other light."""
    gap_unit_s: float = 60.0
    longest_discount: float = 32.0
    as_shot_mired_sd: float = 5.0
    as_shot_tint_sd: float = 3.0
    """Smallest jitter of a camera's automatic white balance inside one light; the shoot's own counts if larger."""
    first_skin: tuple[float, float, float] = (22.0, 8.0, 0.9)
    """mired, tint, ev: what the skin of a frame asks for while one person's colour is expected of all: people differ by
    about this much."""
    known_skin: tuple[float, float, float] = (5.0, 2.5, 0.3)
    """The same once it is known who is who: skin state and the way a face is turned."""
    scene_level_sd: float = 1.0
    """ev; scene luminance from the exposure settings changes with what is in the picture."""
    scene_chroma_sd: float = 0.25
    """ln units; the mean colour of a scene changes with what is in the picture (grey world, a weak cue)."""
    settings_sd: float = 1.0
    """ev; a change of the camera's exposure settings is a weak sign of other light."""
    huber: float = 3.0
    """Standard deviations: one wild value inside a light must not open a new group."""
    neighbour_s: float = 120.0
    """Seconds: frames beyond a longer pause say nothing about whether a frame is wild."""
    lone_excess: float = 12.0
    """Squared standard deviations beyond `huber`, summed over cues, at which a flash frame stands alone."""
    drift_per_minute: float = 0.15
    """Standard deviations per minute: prior width of a slow drift (golden hour) that is no change of light."""
    longest_drift_s: float = 120.0
    """Seconds of a pause that count for drift."""
    window: int = 120
    """Moments: longest stretch tried in one step; longer ones are joined afterwards (keeps the cost linear)."""
    outlier_run: int = 2
    """Moments: a run this short between two stretches of one light is an outlier (a flash that did not fire)."""
    near_s: float = 120.0
    """Seconds: frames of two bodies this near in time most often show one light."""
    fewest_pairs: int = 3
    """Pairs of frames near in time that found a body's own offset."""


@dataclass(frozen=True, slots=True)
class VarianceSettings:
    """Starting values of the variance components (standard deviations) and their weight in observations."""

    state_z: float = 0.35
    """One face from moment to moment in one light: blush, pose, sheen. Published repeatability of facial skin is
    0.2-0.5 CIELAB (Vision Research 192, 2022, 107976)."""
    frame_z: float = 0.15
    """What all faces of a frame share from frame to frame in one light: most lights stand still."""
    person_light_z: float = 0.5
    """Person x light: a camera and its matrix see two skins differently from light to light (0.5-2 CIEDE2000 over 54
    cameras and 384 lights, simulated from measured spectra)."""
    defining_z: float = 0.1
    """The same in the light of a reference: how somebody without a reference looks there is by definition what they
    should look like, so hardly anything is left."""
    pose_ev: float = 0.12
    """Level of one face from frame to frame: the way it is turned to the light."""
    settings_ev: float = 0.2
    """Level of the light from frame to frame, beyond what the camera's own exposure settings predict."""
    weight: float = 8.0
    smallest_z: float = 0.03
    smallest_ev: float = 0.02
    tail: float = 8.0
    """Degrees of freedom of Student's t for faces and cells: one face in a hundred is measured wrongly."""
    frame_tail: float = 2.0
    """The same for frames in their light: a frame of another light in between is common."""


@dataclass(frozen=True, slots=True)
class PriorSettings:
    """What is expected before any skin is seen. All weak: they decide only where nothing else does."""

    light_mired: float = 150.0
    light_tint: float = 45.0
    light_ev: float = 2.0
    """How far a light may be from as-shot: three times what cameras are off, since a look moves all lights together."""
    held_mired: float = 5.0
    held_tint: float = 2.5
    """How well a frame that is held stands for its light."""
    body_mired: float = 10.0
    body_tint: float = 8.0
    """White of one light in two bodies: profiles differ by about this much, and half of it from light to light."""
    person_z: float = 5.0
    person_ev: float = 1.0
    """People around the referenced ones (measured spectra: 3.7 z between two people, reflectance 1.5 ev)."""
    stranger: float = 0.15
    """Prior share of faces that belong to nobody of the shoot's persons: a wedding has guests (common practice)."""
    name_trust: float = 0.93
    """Prior probability that a name in a face region is right; programs that find faces confuse people."""
    smallest_person: int = 2
    """Faces that a person without a name needs."""


@dataclass(frozen=True, slots=True)
class SolveSettings:
    """Everything together, and the loop."""

    moments: MomentSettings = field(default_factory=MomentSettings)
    groups: GroupSettings = field(default_factory=GroupSettings)
    variances: VarianceSettings = field(default_factory=VarianceSettings)
    priors: PriorSettings = field(default_factory=PriorSettings)
    passes: int = 40
    rough_passes: int = 8
    """Passes before the light groups are found again: who is who is settled by then, the rest is not needed."""
    growing_passes: int = 5
    """From here on cells stay even where they empty, so that the end does not jump."""
    settling_passes: int = 12
    """Passes in which the variance components still move; the last passes settle the answer with them fixed."""
    regroupings: int = 1
    """How often light groups are found again with the persons known: a second time changed no figure of the bench's 100
    shoots by more than chance (median 0.6005 for 0.6013, lights 10.03 for 10.01)."""
    relabellings: int = 2
    """How often whole cells are tried under their best name and solved again."""
    converged_z: float = 0.01
    """Largest change of a light or person (z) at which the loop ends."""
    converged_r: float = 0.03
    """Largest change of a responsibility at which it ends: less than the 0.05 in which a known face may be unsure."""
    known: float = 0.95
    """Probability from which a face counts as a person's (the contract)."""
    known_wrong: float = 0.005
    """Expected part of the known faces of a shoot that are somebody else's: where many are hardly sure, the least sure
    are unknown, too. One in 200."""
    noise_floor: float = 2e-3
    """Smallest relative error of a measured colour (ln units): calibration of levels, lens shading."""
    uncertain_z: float = 2.0
    uncertain_ev: float = 0.35
    """Posterior sd of a frame with faces at which it is flagged as uncertain."""
    few_cells: int = 60
    large_ev: float = 2.5
    dark_face_ev: float = 2.0
    agreeing_ev: float = 0.7
    """ev; a frame that asks for more than `large_ev`, this near its group's level, is as dark as the whole group is."""
    bright_background_ev: float = 0.0
    beyond_z: float = 6.0
    """Skin difference left at the end of the field's range at which no white balance helps."""
    neutral_cast_z: float = 3.0


DEFAULT = SolveSettings()
