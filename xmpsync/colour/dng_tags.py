"""Numbers of the DNG tags that concern colour (DNG specification 1.7.1), and how their values are checked.

A tag mapping holds plain values: numbers or flat sequences of numbers (rationals already divided), text, or bytes for
UNDEFINED tags.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from xmpsync.colour.arrays import FloatArray

Tags = Mapping[int, Any]

UNIQUE_CAMERA_MODEL = 50708
ANALOG_BALANCE = 50727
AS_SHOT_NEUTRAL = 50728
AS_SHOT_WHITE_XY = 50729
BASELINE_EXPOSURE = 50730
CAMERA_CALIBRATION_SIGNATURE = 50931
PROFILE_CALIBRATION_SIGNATURE = 50932
PROFILE_NAME = 50936
HUE_SAT_MAP_DIMS = 50937
HUE_SAT_MAP_ENCODING = 51107
BASELINE_EXPOSURE_OFFSET = 51109

# One entry per calibration 1, 2, 3.
CALIBRATION_ILLUMINANT = (50778, 50779, 52529)
COLOR_MATRIX = (50721, 50722, 52531)
CAMERA_CALIBRATION = (50723, 50724, 52530)
FORWARD_MATRIX = (50964, 50965, 52532)
ILLUMINANT_DATA = (52533, 52534, 52535)
HUE_SAT_MAP_DATA = (50938, 50939, 52537)


class BadColourTags(ValueError):
    """Invalid colour tags; the text names the tag and what is wrong with it."""


def numbers(tags: Tags, tag: int, name: str, count: int) -> FloatArray | None:
    """The value of a tag as (count,) finite numbers, None where it is absent. BadColourTags otherwise."""
    if tag not in tags or tags[tag] is None:
        return None
    try:
        values = np.array(tags[tag], float).ravel()
    except (TypeError, ValueError) as error:
        raise BadColourTags(f"{name} does not hold numbers") from error
    if len(values) != count:
        raise BadColourTags(f"{name} holds {len(values)} numbers instead of {count}")
    if not np.isfinite(values).all():
        raise BadColourTags(f"{name} holds a number that is not finite")
    return values


def text(tags: Tags, tag: int) -> str:
    """The value of a text tag without trailing NUL and blanks; empty where it is absent."""
    value = tags.get(tag)
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    return "" if value is None else str(value).split("\0")[0].strip()
