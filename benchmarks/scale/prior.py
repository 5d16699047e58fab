"""Make `xmpsync/colour/expected_table.py`: python -m benchmarks.scale.prior SENSITIVITIES.npz > expected_table.py

For every camera and both ways of making a profile (`consumer.py`) the changes R and G of `xmpsync.colour.expected`
are taken; printed are their means and the covariance of R over all of them.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from benchmarks.scale import consumer, world
from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.colour.expected import adapted_inverse

HEAD = '''"""Means over {n} cameras, two ways of making a profile each.

Made by `python -m benchmarks.scale.prior`, not by hand.
Sensitivities: the two cameras of colour-science (National Physical Laboratory) and 52 of the Academy's camera
sensitivity data (Apache-2.0). `xmpsync.colour.expected` explains R and G.
"""

from __future__ import annotations

from xmpsync.records import Mat3
'''


def changes(profile: CameraProfile) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """R, G of the warm and G of the cool calibration."""
    warm, cool = profile.calibrations
    m_warm, m_cool = np.array(warm.camera_from_xyz), np.array(cool.camera_from_xyz)
    g = [np.linalg.solve(adapted_inverse(m, c.temperature_k), np.array(c.xyz_d50_from_balanced))
         for m, c in ((m_warm, warm), (m_cool, cool))]  # fmt: skip
    return np.linalg.solve(m_cool, m_warm), g[0], g[1]


def collect(sensitivities: Path | None) -> dict[tuple[str, str], tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """The changes of every camera and way."""
    return {
        (name, way): changes(consumer.profile(s, way))
        for name, s in world.cameras(sensitivities).items()
        for way in consumer.WAYS
    }


def _matrix(name: str, kind: str, rows: np.ndarray, digits: int, doc: str) -> str:
    body = "\n".join("    (" + ", ".join(f"{v:.{digits}f}" for v in row) + ")," for row in rows)
    return f'\n{name}: {kind} = (\n{body}\n)\n"""{doc}"""\n'


def main() -> None:
    found = list(collect(Path(sys.argv[1])).values())
    r, warm, cool = (np.array([f[i] for f in found]) for i in range(3))
    covariance = np.cov(r.reshape(len(r), 9).T)
    text = HEAD.format(n=len(found) // 2)
    text += _matrix("R_MEAN", "Mat3", r.mean(axis=0), 4, "CM of standard light A = CM of D65 . R.")
    text += _matrix("FORWARD_WARM", "Mat3", warm.mean(axis=0), 4, "G of the calibration for standard light A.")
    text += _matrix("FORWARD_COOL", "Mat3", cool.mean(axis=0), 4, "G of the calibration for D65.")
    text += _matrix("R_COVARIANCE_1E6", "tuple[tuple[float, ...], ...]", covariance * 1e6, 1,
                    "Covariance of the nine numbers of R, row by row, times 1e6.")  # fmt: skip
    sys.stdout.write(text)


if __name__ == "__main__":
    main()
