"""How far identity vectors lie from their person's own: `python -m benchmarks.faces.likeness`.

`--frames N` (default 400), `--seed S`. The two portraits, relit, in six tones of skin, from 24 to 400 px, at 0, -3 and
-5 EV, ISO 100 to 6400, blurred by 0 to 4 px. Printed: distance to the portrait's own vector and to the other woman's
beside the predicted `identity_sd`; odds that the likeness gives (in ln); the regression behind
`xmpsync.faces.quality`, made anew, and how well the one fitted on one portrait predicts the other.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from benchmarks.faces.cases import LANDSCAPE, SIZES_PX, _pose, _shot
from benchmarks.faces.nobody import frames as empty_frames
from benchmarks.faces.portraits import portraits
from benchmarks.faces.scenes import _sensed, frame
from benchmarks.faces.score import MATCH_IOU
from xmpsync.faces.balance import picture_for_detection
from xmpsync.faces.detector import Detector
from xmpsync.faces.identity import Identity, chip
from xmpsync.faces.mesh import Mesh
from xmpsync.faces.quality import features, identity_sd
from xmpsync.faces.records import Picture
from xmpsync.records import Box
from xmpsync.solve.likeness import log_likelihood_ratio

EVS, BLURS_PX, ISOS = (0.0, 0.0, -3.0, -5.0), (0.0, 0.0, 1.0, 2.0, 4.0), (100, 400, 1600, 6400)
MESH_SCORE = 0.6
BINS_PX = ((0, 28), (28, 40), (40, 56), (56, 80), (80, 120), (120, 200), (200, 1000))


@dataclass(frozen=True)
class Seen:
    """One face: its height in the picture, distances to its own and the other portrait, what the chip shows."""

    portrait: int
    face_px: float
    own: float
    other: float
    sd: float
    features: tuple[float, ...]


def seen(count: int, seed: int) -> list[Seen]:
    """The faces that detector and mesh found."""
    rng = np.random.default_rng(seed)
    people, detector, mesh, identity = portraits(), Detector(), Mesh(), Identity()
    grounds = [p for _, p in empty_frames(np.random.default_rng(seed + 1), 20)]
    still = []
    for person in people:
        picture = picture_for_detection(person.linear, (1.0, 1.0, 1.0))
        best = max(detector.look(picture), key=lambda d: d.score)
        still.append(identity.vectors([chip(picture, mesh.fit(picture, best))])[0])
    out = []
    for n in range(count):
        pose = _pose(int(rng.integers(2)), rng, SIZES_PX[n % len(SIZES_PX)], LANDSCAPE)
        shot = _shot(rng, ev=EVS[n % 4] + float(rng.uniform(-0.5, 0.5)), iso=ISOS[int(rng.integers(4))])
        made = frame(people, (pose,), shot, grounds[n % len(grounds)], LANDSCAPE, rng)
        blur = BLURS_PX[n % 5]
        camera = made.camera
        if blur:  # blur comes before the sensor: its noise is added again
            camera = _sensed(ndimage.gaussian_filter(camera, (blur, blur, 0)), shot.iso, rng)
        picture = picture_for_detection(camera, made.neutral)
        left, top, right, bottom = made.truth[0].box
        box = Box(left, top, right - left, bottom - top)
        hits = [d for d in detector.look(picture) if d.box.iou(box) > MATCH_IOU]
        if not hits:
            continue
        fit = mesh.fit(picture, max(hits, key=lambda d: d.score))
        if fit.score < MESH_SCORE:
            continue
        out.append(_seen(chip(picture, fit), fit.face_px, pose.portrait, identity, still))
    return out


def _seen(one: Picture, face_px: float, portrait: int, identity: Identity, still: list[np.ndarray]) -> Seen:
    vector = identity.vectors([one])[0]
    own, other = (float(np.linalg.norm(vector - still[i])) for i in (portrait, 1 - portrait))
    return Seen(portrait, face_px, own, other, identity_sd(one, face_px), features(one, face_px))


def table(faces: list[Seen]) -> str:
    """Distances and odds by size, then the regression."""
    lines = [
        f"{'face, px':>10}{'faces':>7}{'own p50':>9}{'p90':>7}{'other p50':>11}{'sd':>7}{'own odds':>9}{'other':>7}"
    ]
    for low, high in BINS_PX:
        part = [f for f in faces if low <= f.face_px < high]
        if part:
            own, other, sd = (np.array([getattr(f, name) for f in part]) for name in ("own", "other", "sd"))
            odds = [np.median(log_likelihood_ratio(d, sd, 1.0)) for d in (own, other)]
            lines.append(
                f"{low:>5}-{high:<4}{len(part):>7}{np.median(own):>9.2f}{np.percentile(own, 90):>7.2f}"
                f"{np.median(other):>11.2f}{np.median(sd):>7.2f}{odds[0]:>10.1f}{odds[1]:>12.1f}"
            )
    y, x = np.log([f.own for f in faces]), np.array([(1.0, *f.features) for f in faces])
    which = np.array([f.portrait for f in faces])
    fitted = np.linalg.lstsq(x, y, rcond=None)[0]
    lines.append("regression of ln distance: " + " ".join(f"{v:.3f}" for v in fitted))
    lines.append(f"residual {np.std(y - x @ fitted):.2f} of {np.std(y):.2f}")
    for p in (0, 1):
        own = np.linalg.lstsq(x[which == p], y[which == p], rcond=None)[0]
        lines.append(f"fitted on portrait {p}, residual on the other {np.std(y[which != p] - x[which != p] @ own):.2f}")
    return "\n".join(lines)


def main() -> None:
    """Parse the options, run, print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.faces.likeness", description=__doc__)
    parser.add_argument("--frames", type=int, default=400)
    parser.add_argument("--seed", type=int, default=5)
    options = parser.parse_args()
    print(table(seen(options.frames, options.seed)))


if __name__ == "__main__":
    main()
