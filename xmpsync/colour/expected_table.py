"""Means over 54 cameras, two ways of making a profile each.

Made by `python -m benchmarks.scale.prior`, not by hand.
Sensitivities: the two cameras of colour-science (National Physical Laboratory) and 52 of the Academy's camera
sensitivity data (Apache-2.0). `xmpsync.colour.expected` explains R and G.
"""

from __future__ import annotations

from xmpsync.records import Mat3

R_MEAN: Mat3 = (
    (1.1327, -0.1588, 0.0747),
    (0.0997, 0.8796, 0.0605),
    (0.1117, -0.1343, 1.0821),
)
"""CM of standard light A = CM of D65 . R."""

FORWARD_WARM: Mat3 = (
    (0.8935, 0.1378, -0.0313),
    (-0.0311, 1.0196, 0.0115),
    (-0.0105, 0.0120, 0.9985),
)
"""G of the calibration for standard light A."""

FORWARD_COOL: Mat3 = (
    (1.0253, -0.0370, 0.0117),
    (0.0054, 0.9917, 0.0029),
    (-0.0043, 0.0093, 0.9950),
)
"""G of the calibration for D65."""

R_COVARIANCE_1E6: tuple[tuple[float, ...], ...] = (
    (2002.9, -2129.0, 1059.4, 826.2, -806.7, 504.6, 596.9, -480.0, 349.5),
    (-2129.0, 2364.0, -1062.5, -760.1, 784.0, -429.0, -550.7, 505.4, -286.4),
    (1059.4, -1062.5, 652.2, 468.8, -412.8, 327.1, 437.8, -317.6, 292.1),
    (826.2, -760.1, 468.8, 645.0, -630.2, 425.5, 207.2, -52.0, 155.0),
    (-806.7, 784.0, -412.8, -630.2, 660.9, -384.0, -123.6, -12.1, -102.2),
    (504.6, -429.0, 327.1, 425.5, -384.0, 332.3, 168.0, -62.3, 106.3),
    (596.9, -550.7, 437.8, 207.2, -123.6, 168.0, 631.6, -518.6, 467.9),
    (-480.0, 505.4, -317.6, -52.0, -12.1, -62.3, -518.6, 522.5, -337.1),
    (349.5, -286.4, 292.1, 155.0, -102.2, 106.3, 467.9, -337.1, 395.9),
)
"""Covariance of the nine numbers of R, row by row, times 1e6."""
