"""Stored picture <-> upright picture, for the eight values of the Exif tag Orientation (Exif 2.32, tag 0x0112).

The stored picture is how the sensor's rows lie in the file; the upright one is how it is shown. Fractions are of the
width and height, origin top left, x to the right, y down.
"""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from xmpsync.records import Box

_Scalar = TypeVar("_Scalar", bound=np.generic)

TRANSPOSED = frozenset({5, 6, 7, 8})
"""Orientations that swap width and height."""

# Orientation -> is x of the stored picture counted from the right, y from below; after the swap for TRANSPOSED.
_MIRRORED = {
    1: (False, False),
    2: (True, False),
    3: (True, True),
    4: (False, True),
    5: (False, False),
    6: (False, True),
    7: (True, True),
    8: (True, False),
}


def valid_orientation(value: object) -> int:
    """The Exif orientation 1..8; anything else means 1, as the standard's default."""
    return value if isinstance(value, int) and value in _MIRRORED else 1


def upright_array(stored: npt.NDArray[_Scalar], orientation: int) -> npt.NDArray[_Scalar]:
    """A view (h, w, ...) of `stored` (h, w, ...) turned upright."""
    mirrored_x, mirrored_y = _MIRRORED[orientation]
    turned: npt.NDArray[Any] = stored[:: -1 if mirrored_y else 1, :: -1 if mirrored_x else 1]
    return turned.swapaxes(0, 1) if orientation in TRANSPOSED else turned


def upright_size(width: int, height: int, orientation: int) -> tuple[int, int]:
    """Width and height of the upright picture from those of the stored one (and the other way round)."""
    return (height, width) if orientation in TRANSPOSED else (width, height)


def stored_box(upright: Box, orientation: int) -> Box:
    """Where a box of the upright picture lies in the stored one."""
    left, top, width, height = upright.left, upright.top, upright.width, upright.height
    if orientation in TRANSPOSED:
        left, top, width, height = top, left, height, width
    mirrored_x, mirrored_y = _MIRRORED[orientation]
    return Box(1 - left - width if mirrored_x else left, 1 - top - height if mirrored_y else top, width, height)


def upright_box(stored: Box, orientation: int) -> Box:
    """Where a box of the stored picture lies in the upright one."""
    mirrored_x, mirrored_y = _MIRRORED[orientation]
    left = 1 - stored.left - stored.width if mirrored_x else stored.left
    top = 1 - stored.top - stored.height if mirrored_y else stored.top
    if orientation in TRANSPOSED:
        return Box(top, left, stored.height, stored.width)
    return Box(left, top, stored.width, stored.height)
