"""How far an identity vector may lie from its person's own, from the size, sharpness and brightness of the face.

The network answers every chip, good or bad, with 128 numbers of the same size; nothing in them says that the face had
24 pixels or was blurred. So the expected distance is predicted from what the chip shows. The coefficients are a
regression of ln of the distance to the vector of the portrait itself, on two openly licensed portraits, relit under
fourteen lights, in six tones of skin, from 24 to 400 pixels, at 0 to -5 EV, ISO 100 to 6400 and blurred by 0 to 4
pixels: 304 faces, residual 0.28; fitted on one portrait it predicts the other's to 0.28 and 0.32.

Checked on another, wider set (`python -m benchmarks.faces.likeness --faces 500`: three people, a quarter of the faces
turned, a quarter lit from one side, a quarter behind glasses, veil or hand; 275 faces): these coefficients leave 0.350,
a fit on two thirds of that set leaves 0.346 on the rest, and 0.30 / 0.38 / 0.43 on a person left out, where these leave
0.31 / 0.35 / 0.37. So they stay. Where 0.34 / 0.39 / 0.46 / 0.55 / 0.65 are predicted, the root mean square of the true
distance was 0.32 / 0.38 / 0.48 / 0.51 / 0.59.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.faces.records import Picture


@dataclass(frozen=True, slots=True)
class QualitySettings:
    """Distances of identity vectors have no unit."""

    good: float = 0.29
    """Distance of a good face's vector from its person's own: pairs of photographs of one person lie 0.33-0.50 apart
    (medians of two published sets), which is the square root of two times this."""
    known: float = 0.2
    """Distance that the regression gives a good face; that much is contained in `good`."""
    largest: float = 0.75
    """As far as different people are apart: such a vector says nothing."""
    constant: float = -1.084
    per_ln_size: float = -0.246
    """Per ln of the face's height over 100 pixels."""
    per_fine: float = -0.783
    """Per ln of detail at 2-4 pixels of the chip over that at 1-2: much fine detail is noise."""
    per_coarse: float = 1.009
    """Per ln of detail at 4-8 pixels over that at 2-4: little fine detail is blur."""
    per_ln_bright: float = -0.484
    """Per ln of the chip's mean over 110 (of 255): dark faces have little contrast."""


MARGIN = 23
"""The middle 104 pixels of the chip's 150 hold the face, and can be halved three times."""
LUMA = np.array([0.299, 0.587, 0.114])
"""ITU-R BT.601."""


def identity_sd(chip: Picture, face_px: float, settings: QualitySettings | None = None) -> float:
    """Expected distance of this chip's vector from its person's own. `face_px`: height of the face in the picture."""
    s = settings or QualitySettings()
    per_feature = (s.per_ln_size, s.per_fine, s.per_coarse, s.per_ln_bright)
    ln_distance = s.constant + float(np.dot(per_feature, features(chip, face_px)))
    worse = max(float(np.exp(2.0 * ln_distance)) - s.known**2, 0.0)
    return float(min(np.sqrt(s.good**2 + worse), s.largest))


def features(chip: Picture, face_px: float) -> tuple[float, float, float, float]:
    """What the regression goes by, in the order of `QualitySettings`: size, fine and coarse detail, brightness (ln)."""
    level = chip[MARGIN:-MARGIN, MARGIN:-MARGIN] @ LUMA
    bright = float(np.log(level.mean() + 1.0))
    detail = []
    for _ in range(3):
        rows, columns = level.shape
        half = level.reshape(rows // 2, 2, columns // 2, 2).mean(axis=(1, 3))
        rest = level - half.repeat(2, axis=0).repeat(2, axis=1)
        detail.append(float(np.log(rest.std() + 0.1)))
        level = half
    size = float(np.log(max(face_px, 1.0) / 100.0))
    return size, detail[1] - detail[0], detail[2] - detail[1], bright - float(np.log(110.0))
