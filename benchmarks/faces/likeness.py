"""How far identity vectors lie from their person's own: `python -m benchmarks.faces.likeness`.

`--faces N` (default 900), `--seed S`. Three people (the two portraits, and one between them), relit, in six tones of
skin, from 20 to 240 px, at 0 to -5 EV, ISO 100 to 6400, blurred by up to a twelfth of the face; a quarter turned by
20-45 degrees, a quarter lit from one side, a quarter behind glasses, veil or hand. Detector boxes are drawn around the
true ones, so that thousands of faces are cheap.

Printed, by size, blur, darkness with noise, and the worst together: distance to the person's own vector and to the
nearest other one beside the predicted `identity_sd`; odds that the likeness gives (in ln) and how often it is sure of
the other one; the regression behind `xmpsync.faces.quality`, made anew; how well one fitted on two people predicts the
third; how each kind of face is predicted.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from benchmarks.faces import dress, heads
from benchmarks.faces.cases import _shot
from benchmarks.faces.light import TONES
from benchmarks.faces.nobody import frames as empty_frames
from benchmarks.faces.portraits import Portrait, portraits
from benchmarks.faces.scenes import Frame, Pose, _sensed, _toned, cheek_colour, frame
from xmpsync.faces.balance import picture_for_detection
from xmpsync.faces.detector import Detector, five_points
from xmpsync.faces.identity import Identity, chip
from xmpsync.faces.mesh import Mesh
from xmpsync.faces.quality import features, identity_sd
from xmpsync.faces.records import Detection
from xmpsync.records import Box
from xmpsync.solve.likeness import log_likelihood_ratio

EVS, ISOS = (0.0, 0.0, -1.5, -3.0, -5.0), (100, 400, 1600, 6400)
BLURS = (0.0, 0.0, 0.015, 0.03, 0.06, 0.085)
"""Of the face's height, sigma."""
KINDS = ("plain", "turned", "side light", "covered")
MESH_SCORE = 0.6
LARGEST_YAW_DEG = 48.0
BINS_PX = ((0, 28), (28, 40), (40, 56), (56, 80), (80, 120), (120, 200), (200, 1000))


@dataclass(frozen=True)
class Seen:
    """One face: its height in the picture, distances to its own person and the nearest other, what the chip shows."""

    person: int
    kind: str
    face_px: float
    own: float
    other: float
    sd: float
    features: tuple[float, ...]
    blur: float
    """Sigma, parts of the face's height."""
    ev: float
    iso: int


def seen(count: int, seed: int) -> list[Seen]:
    """The faces in which the mesh sees a face that identity would be computed for."""
    rng = np.random.default_rng(seed)
    people = (*portraits(), heads.morphed(0.5))
    mesh, identity = Mesh(), Identity()
    grounds = [p for _, p in empty_frames(np.random.default_rng(seed + 1), 20)]
    still = np.stack([_still(person, mesh, identity) for person in people])
    out = []
    for n in range(count):
        who, kind = n % 3, KINDS[int(rng.integers(4))]
        face_px = float(np.exp(rng.uniform(np.log(20), np.log(240))))
        made, blur = _made(people[who], kind, face_px, n, grounds, rng)
        camera = made.camera
        if blur:  # blur comes before the sensor: its noise is added again
            camera = _sensed(ndimage.gaussian_filter(camera, (blur, blur, 0)), made.shot.iso, rng)
        picture = picture_for_detection(camera, made.neutral)
        fit = mesh.fit(picture, _drawn(made, rng))
        if fit.score < MESH_SCORE or abs(fit.yaw_deg) > LARGEST_YAW_DEG:
            continue
        one = chip(picture, fit)
        apart = np.linalg.norm(identity.vectors([one])[0] - still, axis=1)
        other = float(np.delete(apart, who).min())
        out.append(
            Seen(
                who,
                kind,
                fit.face_px,
                float(apart[who]),
                other,
                identity_sd(one, fit.face_px),
                features(one, fit.face_px),
                blur / face_px,
                made.shot.ev,
                made.shot.iso,
            )
        )
    return out


def _still(person: Portrait, mesh: Mesh, identity: Identity) -> np.ndarray:
    picture = picture_for_detection(person.linear, (1.0, 1.0, 1.0))
    best = max(Detector().look(picture), key=lambda d: d.score)
    return np.asarray(identity.vectors([chip(picture, mesh.fit(picture, best))])[0])


def _made(
    person: Portrait, kind: str, face_px: float, n: int, grounds: list[np.ndarray], rng: np.random.Generator
) -> tuple[Frame, float]:
    """A small frame around one face, and its blur in pixels."""
    own = replace(person, linear=_toned(person, tuple(TONES)[n // 3 % len(TONES)]))
    if kind == "turned" and not person.name.startswith("between"):
        own = heads.turned_head(own, float(rng.choice((-1, 1)) * rng.uniform(20, 45)))
    elif kind == "side light" and not person.name.startswith("between"):
        own = heads.side_lit(own, float(rng.choice((-1, 1)) * rng.uniform(40, 80)), float(rng.uniform(0.05, 0.3)))
    elif kind == "covered":
        what = int(rng.integers(3))
        own = (dress.glasses(own, rng), dress.veil(own, rng), dress.hand(own, cheek_colour(own), rng))[what]
    side = int(max(128, 2.6 * face_px))
    shot = _shot(rng, ev=EVS[int(rng.integers(5))] + float(rng.uniform(-0.5, 0.5)), iso=ISOS[int(rng.integers(4))])
    pose = Pose(0, face_px, 0.5, 0.5, float(rng.normal(0, 7)))
    ground = grounds[n % len(grounds)]
    top, left = (int(rng.integers(max(1, size - side))) for size in ground.shape[:2])
    made = frame((own,), (pose,), shot, ground[top : top + side, left : left + side], (side, side), rng)
    return made, BLURS[int(rng.integers(len(BLURS)))] * face_px


def _drawn(made: Frame, rng: np.random.Generator) -> Detection:
    """The true box and points, as inexact as the detector's: 3 and 4 % of the face (what it does on the portraits)."""
    (truth,) = made.truth
    left, top, right, bottom = truth.box
    size = np.array([right - left, bottom - top])
    x, y = np.array([left, top]) + rng.normal(0, 0.03, 2) * size
    points = truth.points + rng.normal(0, 0.04, (5, 2)) * size
    return Detection(Box(float(x), float(y), float(size[0]), float(size[1])), 0.5, five_points(points))


HEAD = (
    f"{'faces':>7}{'own p50':>9}{'p90':>7}{'other p50':>11}{'sd':>7}{'own rms / sd':>14}{'own odds':>10}{'other':>8}"
    f"{'wrong, sure':>13}"
)
SURE_ODDS = 2.0
"""ln: seven to one. So sure of the nearest other person is wrong, and sure."""
DARK: dict[str, tuple[float, float]] = {"-1 EV and more": (-1, 9), "-1 to -2.5": (-2.5, -1), "below -2.5": (-9, -2.5)}


def _row(title: str, part: list[Seen]) -> str:
    if not part:
        return f"{title:>24}{0:>7}"
    own, other, sd = (np.array([getattr(f, name) for f in part]) for name in ("own", "other", "sd"))
    odds, against = (log_likelihood_ratio(d, sd, 1.0) for d in (own, other))
    return (
        f"{title:>24}{len(part):>7}{np.median(own):>9.2f}{np.percentile(own, 90):>7.2f}{np.median(other):>11.2f}"
        f"{np.median(sd):>7.2f}{np.sqrt(np.mean(own**2) / np.mean(sd**2)):>14.2f}{np.median(odds):>10.1f}"
        f"{np.median(against):>8.1f}{np.mean(against > SURE_ODDS):>13.1%}"
    )


def table(faces: list[Seen]) -> str:
    """Distances and odds by size, blur, darkness and all three, then the regression."""
    lines = [f"{'face, px':>24}{HEAD}"]
    lines += [_row(f"{low}-{high}", [f for f in faces if low <= f.face_px < high]) for low, high in BINS_PX]
    lines.append("blur, sigma over height")
    lines += [_row(f"{b:.3f}", [f for f in faces if abs(f.blur - b) < 1e-6]) for b in sorted(set(BLURS))]
    for isos, title in (((100, 400), "ISO 100, 400"), ((1600, 6400), "ISO 1600, 6400")):
        lines.append(f"level at {title}")
        for name, (low, high) in DARK.items():
            lines.append(_row(name, [f for f in faces if f.iso in isos and low <= f.ev < high]))
    lines.append("small (under 40 px), and also")
    small = [f for f in faces if f.face_px < 40]
    lines.append(_row("sharp, light", [f for f in small if f.blur < 0.02 and f.ev >= -1 and f.iso <= 400]))
    lines.append(_row("blurred (0.03 and more)", [f for f in small if f.blur > 0.02]))
    lines.append(_row("dark, ISO 1600 and more", [f for f in small if f.ev < -2.5 and f.iso >= 1600]))
    fitted = _fit(faces)
    lines.append("regression of ln distance: " + " ".join(f"{v:.3f}" for v in fitted))
    lines.append(f"residual {_left(faces, fitted):.2f} of {np.std(np.log([f.own for f in faces])):.2f}")
    for p in range(3):
        rest, held = [f for f in faces if f.person != p], [f for f in faces if f.person == p]
        lines.append(f"fitted without person {p}, residual on that person {_left(held, _fit(rest)):.2f}")
    for kind in KINDS:
        part = [f for f in faces if f.kind == kind]
        coefficients = " ".join(f"{v:.2f}" for v in _fit(part))
        ratio = np.exp(np.mean([np.log(f.own / f.sd) for f in part]))
        lines.append(
            f"{kind:12}{len(part):5} faces, residual {_left(part, fitted):.2f}, own / sd {ratio:.2f}, {coefficients}"
        )
    return "\n".join(lines)


def _fit(faces: list[Seen]) -> np.ndarray:
    x = np.array([(1.0, *f.features) for f in faces])
    return np.asarray(np.linalg.lstsq(x, np.log([f.own for f in faces]), rcond=None)[0])


def _left(faces: list[Seen], coefficients: np.ndarray) -> float:
    x = np.array([(1.0, *f.features) for f in faces])
    return float(np.sqrt(np.mean((np.log([f.own for f in faces]) - x @ coefficients) ** 2)))


def main() -> None:
    """Parse the options, run, print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.faces.likeness", description=__doc__)
    parser.add_argument("--faces", type=int, default=900)
    parser.add_argument("--seed", type=int, default=5)
    options = parser.parse_args()
    print(table(seen(options.faces, options.seed)))


if __name__ == "__main__":
    main()
