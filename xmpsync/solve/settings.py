"""Thresholds and starting widths of the solver, each with unit, default and reason. One frozen record.

Widths here are priors: the solver estimates the widths of the shoot at hand and only leans on these where the shoot
says little. Units: `z` = units of the solver's colour coordinate (about one CIEDE2000 unit of skin at equal
luminance, see `coordinate`), `ev` = log2 of luminance, mired and tint as in the sidecar.
"""

from __future__ import annotations

from dataclasses import dataclass, field

MIRED_RANGE = (20.0, 500.0)
"""2000..50000 K, what the temperature field can hold."""
TINT_RANGE = (-150.0, 150.0)
EV_RANGE = (-4.0, 4.0)


@dataclass(frozen=True, slots=True)
class GroupSettings:
    """Where one light ends and the next begins."""

    change_penalty: float = 44.0
    """Cost of one change point in units of a squared standardised residual: about 4 ln(n) for each of the (mired,
    tint, level) that a new light may change. One light cut in two costs more than two neighbours taken for one: what
    a reference says of its light then reaches a part of it only."""
    gap_discount: float = 10.0
    """Taken off the penalty per factor e of the pause over `gap_unit_s`: a pause often is a walk to other light."""
    gap_unit_s: float = 60.0
    longest_discount: float = 32.0
    as_shot_mired_sd: float = 5.0
    as_shot_tint_sd: float = 3.0
    """Smallest jitter of a camera's automatic white balance inside one light; the shoot's own counts if larger."""
    first_skin: tuple[float, float, float] = (22.0, 8.0, 0.9)
    """mired, tint, ev: what the skin of a frame asks for while nobody is told apart, so that one person's colour is
    expected of all: people differ by about this much."""
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
    """Frames: longest stretch tried in one step; longer ones are joined afterwards (keeps the cost linear)."""
    outlier_run: int = 2
    """Frames: a run this short between two stretches of one light is an outlier (a flash that did not fire)."""


@dataclass(frozen=True, slots=True)
class LightSettings:
    """What is believed of a light before any skin is seen, and of frames inside one light."""

    as_shot_mired_sd: float = 50.0
    as_shot_tint_sd: float = 15.0
    """How far the camera's own white may be from the white that brings skin to the reference (a weak prior)."""
    level_sd: float = 0.8
    """ev; how far a group may be from as-shot exposure."""
    joint_prior_widening: float = 3.0
    """The three above are for one group that is laid by colour. In the joint solve they would add up: cameras
    under-correct every lamp to the same side, and a look is warmer than as-shot everywhere."""
    frame_mired_sd: float = 4.0
    frame_tint_sd: float = 1.5
    frame_ev_sd: float = 0.15
    """Frame to frame inside one light: starting point of the estimated widths."""
    width_prior_frames: float = 4.0
    """Frames: how many frames' worth the shoot's width weighs against a group's own frames."""
    width_prior_log_sd: float = 1.0
    """ln units: how far the widths of a shoot may be from the starting ones."""
    width_range: tuple[float, float] = (0.1, 10.0)
    """Smallest and largest width, in starting widths."""
    uncoupled_ev_sd: float = 1.0
    """ev; flash fired or settings unknown: the level of a frame says next to nothing about its neighbour."""
    coupling_cutoff: float = 3.0
    """Standard deviations at which a frame begins to leave its group (a flash that did not fire)."""
    knot_s: float = 240.0
    """Seconds between the points of the curve that follows a drifting light."""
    knot_frames: int = 4
    """Frames with skin that a point of the curve needs."""
    drift_mired_sd: float = 8.0
    drift_tint_sd: float = 2.0
    drift_ev_sd: float = 0.5
    """Change from one point of the curve to the next, per square root of the spacing over `knot_s`."""


@dataclass(frozen=True, slots=True)
class LinkSettings:
    """What is believed of two bodies under one light."""

    body_mired_sd: float = 10.0
    body_tint_sd: float = 8.0
    body_ev_sd: float = 0.3
    """Constant of one body against another: profiles and meters differ by about this much."""
    width_mired: float = 5.0
    width_tint: float = 4.0
    width_ev: float = 0.12
    """How far two bodies differ from that constant from light to light: profiles differ in lamps more than in day."""
    width_prior_places: float = 4.0
    """Places that these widths weigh against the shoot's own."""
    near_s: float = 120.0
    """Seconds: frames of two bodies this near in time most often show one light."""
    fewest_pairs: int = 3


@dataclass(frozen=True, slots=True)
class PersonSettings:
    """What is believed of people's skin."""

    population_z_sd: float = 4.0
    population_ev_sd: float = 0.9
    """Spread of people around the prior colour (measured spectra: 3.7 z between two people, reflectance 1.5 ev)."""
    look_z_sd: float = 6.0
    look_ev_sd: float = 1.0
    """How far the look of a shoot (the white and level of its references) may move everybody together."""
    look_weight: float = 0.5
    """How far the prior follows the reference's own colour: half its offset is its look, half the person."""
    state_z_sd: float = 0.9
    state_ev_sd: float = 0.12
    """Skin state of one face in one frame (pose, blush, make-up, metamerism): starting point of the estimated width."""
    state_prior_faces: float = 10.0
    between_lights_z_sd: tuple[float, float] = (0.3, 0.1)
    """z1, z2 of one person's skin from light to light, the camera's matrix being a compromise (metamerism): what is
    left after one correction for all people. Chosen on simulated weddings: the deviations in tint were too small."""
    reference_z_sd: float = 0.05
    reference_ev_sd: float = 0.01
    """A reference given as numbers is a definition; the skin of a frame counts as one while groups are laid."""
    new_person_chi2: float = 14.0
    """Squared distance from everybody known at which a repeated colour is a new person (3 degrees of freedom)."""
    smallest_person: int = 2
    """Faces that a person without a name needs."""
    most_persons: int = 16
    """Persons without a name that are told apart by colour alone; later ones are `someone else`."""
    stranger_weight: float = 0.1
    """Prior share of faces that belong to nobody known."""
    name_trust: float = 0.93
    """Prior probability that a name in a face region is right (catalogues confuse people)."""
    identity_same_mean: float = 0.50
    identity_same_sd: float = 0.09
    identity_other_mean: float = 0.76
    identity_other_sd: float = 0.09
    """Distances of the identity model: same man p50/p95 0.50/0.64, others p1 0.55, equal error at 0.63 (measured)."""
    identity_alike: float = 0.03
    identity_alike_pairs: float = 10.0
    identity_alike_distance: float = 0.63
    """Part of the pairs of different people that look like one to the model (siblings, few distinct pictures): prior,
    its weight in pairs, and the distance (equal error) below which a pair counts. Faces of one frame are the data."""
    identity_lost: float = 0.03
    """Part of one person's pairs that look like strangers: dark, blurred, turned away."""
    identity_linkage: float = 0.5
    """Average-linkage distance below which unnamed faces are one person."""


@dataclass(frozen=True, slots=True)
class SolveSettings:
    """Everything together, and the loop."""

    groups: GroupSettings = field(default_factory=GroupSettings)
    light: LightSettings = field(default_factory=LightSettings)
    links: LinkSettings = field(default_factory=LinkSettings)
    persons: PersonSettings = field(default_factory=PersonSettings)
    loss_cutoff: float = 3.0
    """Whitened length of a face's residual at which the loss turns from squares to lengths (pseudo-Huber)."""
    iterations: int = 14
    first_iterations: int = 6
    """Passes of the first solve, which only has to tell who is who."""
    told_share: float = 0.6
    """Share of faces with a name or a clear identity from which light groups need not be laid on persons by colour."""
    regroupings: int = 1
    """How often light groups are found again with the persons known."""
    converged_z: float = 1.5e-2
    """Largest change of a frame (in z) at which the loop ends."""
    noise_floor: float = 2e-3
    """Smallest relative error believed of a measured colour (ln units)."""
    uncertain_z: float = 2.0
    uncertain_ev: float = 0.35
    """Posterior sd of a frame with faces at which it is flagged and shown as uncertain."""
    mixed_z: float = 4.2
    """Two faces of one frame want corrections this far apart: mixed light."""
    few_cells: int = 60
    large_ev: float = 2.5
    dark_face_ev: float = 2.0
    agreeing_ev: float = 0.7
    """ev; a frame that asks for more than `large_ev`, this near its group's level, is as dark as the whole group is."""
    bright_background_ev: float = 0.0
    beyond_z: float = 6.0
    """Skin difference left at the end of the field's range at which no white balance helps."""
    highlights_fraction: float = 0.01
    neutral_cast_z: float = 3.0


DEFAULT = SolveSettings()
