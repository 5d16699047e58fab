"""What people look like in general: where a search starts, and how wide `someone else` is. Never a target."""

from __future__ import annotations

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.reference import Target

MIDDLE = (6.2, -11.0, -1.9)
"""z of a middle skin (CIELAB L 57): the mean of published class means, very light (75, 8, 15) to dark (35, 13, 17)."""


def usual_colour(targets: tuple[Target, ...]) -> FloatArray:
    """z (3,) of people's usual skin under the look of this shoot: the mean of the references, else the middle."""
    return np.mean([t.z for t in targets], axis=0) if targets else np.array(MIDDLE)
