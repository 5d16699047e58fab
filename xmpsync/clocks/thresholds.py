"""Thresholds for comparing the clocks of several bodies, each with unit, default and reason."""

from __future__ import annotations

from dataclasses import dataclass, field

from xmpsync.solve.settings import GroupSettings


@dataclass(frozen=True, slots=True)
class ClockSettings:
    """When two clocks count as different, and how sure one must be."""

    range_s: float = 43200.0
    """Half a day: a clock on the wrong time zone, or on the wrong half of the day."""
    step_s: float = 20.0
    """Coarse search; lights last minutes, so no peak falls between two steps."""
    fine_s: float = 180.0
    """Seconds around a coarse peak searched closely; peaks closer than this are one."""
    fine_step_s: float = 3.0
    """Far below the error of the method."""
    candidates: int = 12
    """Coarse peaks looked at closely; the true one is nearly always the first."""
    white: tuple[float, float] = (5000.0, 0.0)
    """Kelvin and tint at which all scenes are rendered: any, but the same for all bodies."""
    persons: int = 3
    """Persons named by both bodies whose skin is used, most seen first; more add time rather than certainty."""
    scene_sd: tuple[float, float, float] = (1.0, 0.25, 0.25)
    """ev and ln units: lower bound of the scatter of scene luminance and chromaticity, which follow the content."""
    skin_sd: tuple[float, float, float] = (0.5, 0.08, 0.08)
    """The same of one person's skin, which is turned to and from the light."""
    offset_limit: tuple[float, float, float] = (1.0, 0.2, 0.2)
    """Largest constant difference between two bodies (lens, angle of view, profile); more is other light."""
    floor: float = 0.05
    """Share of frames that show anything at all (a dark corner, a bright window)."""
    burst_s: float = 5.0
    """Frames this close show the same thing and are averaged into one."""
    trust: float = 0.5
    """Weight of a burst: neighbours show similar content even outside bursts."""
    reach_s: float = 60.0
    """Seconds for which a light is assumed to last before its first and after its last frame."""
    longest_pause_s: float = 300.0
    """A longer pause within one light may hide another light."""
    drift_part_s: float = 300.0
    """A light that drifts (daylight at dusk) is cut into parts of this length, each with its own level."""
    drift_sds: float = 1.0
    """Standard deviations from end to end of a light at which it drifts."""
    light_cap: float = 6.0
    """ln units: most that one light adds to a shift's score."""
    apart: float = 0.2
    """Share of lights that a body may well have spent elsewhere: limits what one light takes from a shift's score."""
    small_cap: float = 1.0
    """ln units: a light whose score is below this counts neither way."""
    hour_prior: float = -4.0
    """ln odds of a whole hour (time zone, daylight saving) against clocks that agree."""
    other_prior: float = -6.0
    """ln odds of any other shift against clocks that agree: photographers set their clocks before a wedding."""
    hour_sd_s: float = 30.0
    """How well the minutes of a clock on the wrong hour are usually set: noise of the peak is drawn to the hour."""
    hour_width_s: float = 120.0
    """Seconds beside a whole hour that still count as one."""
    margin: float = 6.0
    """ln odds by which a shift must beat clocks as they are, and every rival."""
    least_gain: float = 10.0
    """ln odds by which the lights must agree at the shift, against lights that come as they like."""
    least_frames: int = 20
    """Fewest frames with cues that a body needs."""
    least_lights: int = 3
    """Fewest lights in favour of the shift."""
    against: float = 0.25
    """Most lights against the shift, as a share of those for it."""
    overlap: float = 0.5
    """Share of the smaller body's frames that must fall into a light of the other."""
    smallest_shift_s: float = 12.0
    """Smaller differences matter to nothing and lie within the error of the method."""
    largest_sd_s: float = 27.0
    """A shift less well known than this is not applied; for a whole hour, whose minutes are known before, that allows a
    peak of 60 s."""
    longest_shoot_s: float = 14 * 86400.0
    """Times further apart than this are not of one shoot."""
    groups: GroupSettings = field(default_factory=lambda: GroupSettings(change_penalty=40.0))
    """A higher price per light than for grouping: slow changes of content are not lights."""


DEFAULT = ClockSettings()
