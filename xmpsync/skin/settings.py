"""Every threshold of the skin stage, with unit, default and reason."""

from __future__ import annotations

from dataclasses import dataclass, field

from xmpsync.records import Vec2, Vec3
from xmpsync.skin.records import Region

SKIN_VERSION = "skin-5"
"""For store keys. Raise it when the same faces may give other colours."""


def _region_doubt() -> dict[Region, float]:
    # Common practice among those who match skin by hand: cheeks first. Forehead, nose and chin shine first when
    # somebody sweats or wears make-up; hair, hats and veils shade the forehead, beards the chin.
    return {
        Region.LEFT_CHEEK: 0.02,
        Region.RIGHT_CHEEK: 0.02,
        Region.FOREHEAD: 0.04,
        Region.NOSE: 0.06,
        Region.CHIN: 0.04,
        Region.WHOLE: 0.02,
    }


@dataclass(frozen=True)
class SkinSettings:
    """Thresholds of measuring skin. "Log units" are natural logarithms of camera ratios: 0.01 is 1 per cent."""

    max_bins: int = 96
    """Bins along the longer side of the places. Larger faces are averaged down: finer detail is pores and noise."""

    min_coverage: float = 0.5
    """Share of a bin that a region's polygon must cover."""

    min_bins: int = 12
    """Bins of usable skin below which a face is `few-pixels`."""

    min_region_bins: int = 4
    """Bins below which a region is not reported on its own."""

    min_unclipped: float = 0.4
    """Share of bins free of clipping in the places below which a face is `clipped-skin`: less is its shadows only."""

    clip_window: int = 5
    clip_share: float = 0.1
    """A bin with more than this share of clipped bins in a window about it is left out of colour: what is left between
    clipped ones was chosen by a low value in the clipping channel."""

    clip_margin_sd: float = 2.0
    """A bin whose largest channel lies within so many sd of the noise below 1 is treated as clipped: noise that was
    cut off at the white level would bias its mean."""

    sound_channel: float = 0.75
    """Mean of a clipped bin's lowest channel below which that channel is whole in all its cells: skin's texture inside
    a bin is a few per cent. It gives the bin's level, once the body's colour is known."""

    clipped_chroma: float = 0.02
    restored_level: float = 0.03
    """sd of colour and of level, log units, in proportion to the share of the face that clipping spoils: the colour is
    that of other parts of the face, the level that of a bin whose colour is assumed."""

    min_skin: float = 0.2
    """Share of the unclipped bins that must agree on one colour, else `no-skin`."""

    max_noise: float = 0.06
    """Relative sd of the face's colour by noise alone above which it is `too-dark`."""

    trim_noise: float = 0.04
    """Relative noise per bin, in log units, that smoothing aims at before a bin is judged by its colour."""

    max_smooth: int = 7
    """Largest smoothing window, bins."""

    mode_start: float = 0.30
    mode_end: float = 0.13
    """Kernel widths of the search for the skin's colour, log units: from all of skin, hair and lips down to skin's own
    variation over a face (0.03-0.1)."""

    mode_steps: int = 10

    min_spread: float = 0.03
    """Least sd of skin's own colour over a face that trimming assumes, log units."""

    trim_sd: float = 3.0
    """Mahalanobis distance at which a bin is no longer this skin."""

    dark_ev: float = 1.5
    """A bin darker than the skin's median level by more than this is hair, nostril or deep shadow, EV."""

    side_separation_ev: float = 1.3
    """Difference of mean level that makes two sides, EV. Below it shading is one slope, and ranks serve better."""

    side_quality: float = 0.84
    """Share of the level's variance that two classes explain (0.64 for one bell, 0.75 for a flat slope)."""

    dominating_share: float = 0.40
    """Share of the area that the brighter side needs to be the face's side; a rim in backlight has less."""

    level_window: Vec2 = (0.45, 0.92)
    """Ranks (clipped and specular bins count as brightest) whose mean is the level of lit skin."""

    censored_ev: float = 0.2
    """sd of the level, EV, when clipping covers the whole level window (in proportion when less)."""

    colour_window: Vec2 = (0.05, 1.0)
    """Ranks whose mean is the colour of lit skin; the darkest twentieth holds edges and creases."""

    specular_passes: int = 2
    """Rounds of estimating the sheen and the body below it."""

    shiny_share: float = 0.08
    """Expected share of surface reflection from which a bin leaves the colour and counts as specular."""

    own_chroma: Vec3 = (0.025, 0.04, 0.065)
    own_chroma_weight: Vec3 = (0.3, 0.4, 0.3)
    """sd of skin's own colour over a face towards the light's, log units, that are weighed, and their prior weights:
    cheek against forehead differ by some 3.5 dE00."""

    most_own_chroma: float = 0.07
    """sd of the shares' colour change, log units, above which more than skin's own variation is in it and counts as
    doubt, whether or not it could be taken off: measured portraits stay below."""

    own_patches: float = 40.0
    """Patches of a face whose own colours are independent: blush and tan change over a sixth of its width."""

    light_error: float = 0.1
    """sd of the light's colour as the camera wrote it, log units."""

    mode_sample: int = 1200
    """Bins at most that the search for the skin's colour looks at."""

    light_prior: Vec3 = (0.5, 1.0, 0.6)
    """Camera colour of a light when nobody says better: the as-shot neutral of most bodies in daylight."""

    region_doubt: dict[Region, float] = field(default_factory=_region_doubt)
    """sd of a region's colour, log units, by what is not skin. A region counts by its inverse square, with
    noise and what sheen may be left added."""

    level_lead: float = 1.5
    """Power of a region's doubt that it counts by in the level. With 1, 1.5 and 2 the matte world of the gloss bench
    has 0.048 / 0.21, 0.045 / 0.14, 0.047 / 0.12 EV, relit whole shoots 0.05 / 0.15, 0.05 / 0.18, 0.07 / 0.21."""

    floor_chroma: float = 0.003
    floor_level: float = 0.012
    """Least sd of a face's colour and level, log units: place of the regions, texture, leftovers of specular light."""

    between_regions: float = 0.2
    """Part of the spread between regions that counts as the face's own uncertainty (the same regions are compared, so
    most of it cancels)."""

    texture_correlation_bins: float = 4.0
    """Bins that share one value of the skin's texture; counts independent samples."""

    side_trim_sd: float = 2.5
    """As `trim_sd` for one half of a face: strict about other matter."""

    side_middle: float = 0.4
    """Part of the way from the face's axis to the middle of a cheek that belongs to neither half: nose, chin and the
    middle of the forehead see both lights. With 0 the halves' difference is 0.67 of the true one (middle over the
    bench's two lights), with 0.3, 0.5 and 0.7 0.95, 0.96 and 0.98."""

    side_spread: float = 0.025
    """sd of the colour difference between two halves of a face under one light, log units."""
