"""Broad sheen on a face, in the light's own colour: measured skin against the true diffuse one.

    python -m benchmarks.skin.gloss            # 6 classes x 2 portraits x 16 settings
    python -m benchmarks.skin.gloss --people 4
    python -m benchmarks.skin.gloss --world patches  # the same sheen in patches at random
    python -m benchmarks.skin.gloss --world matte    # none, and a key light that changes sides
    python -m benchmarks.skin.gloss --faces other    # other unevenness of skin; also clean, made-up

The reference of a person is a matte frame in daylight; every other frame has a sheen over 0-60 % of the face, at its
strongest 0-1 times the body's own luminance, under lights of all colours, with the as-shot neutral in error as cameras
have it. The plain ways beside it see the same frames. `compared` is `measured` with the covariance that the solver uses
where it knows the person: the regions of the frame against those of the reference.
"""

from __future__ import annotations

import argparse
import pickle
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from benchmarks.skin.broken import BROKEN, whole
from benchmarks.skin.cameras import Camera, cameras
from benchmarks.skin.lights import lights
from benchmarks.skin.portraits import portraits
from benchmarks.skin.render import Rendered, Shot, jitter, render
from benchmarks.skin.spectra import measured_spectra, model_spectra
from benchmarks.skin.trials import BenchSettings, Measure, Row, as_shot_neutral, places_of, scored
from benchmarks.skin.variants import FACES
from xmpsync.colour.camera import render as xyz_from_settings
from xmpsync.colour.camera import white_from_neutral
from xmpsync.records import Vec3
from xmpsync.skin.compare import hidden_gloss, patterns
from xmpsync.skin.covariance import to_mat3
from xmpsync.skin.records import FaceSkin, Place, Unusable

SHARES = (0.0, 0.15, 0.3, 0.45, 0.6)
STRENGTHS = (0.25, 0.5, 1.0)
SIZES_CELLS = (60.0, 110.0, 160.0)
PLANE_2SD = 2.486
"""Radius of a two-dimensional normal that holds 95.45 %."""
ESTIMATORS: dict[str, Measure] = {"measured": whole, "plain": BROKEN["plain"], "mean": BROKEN["mean"]}


@dataclass(frozen=True, slots=True, eq=False)
class Taken:
    """A rendered frame and what is known of it."""

    frame: Rendered
    shot: Shot
    neutral: Vec3
    places: tuple[Place, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Person:
    """One person on one body: a reference and frames."""

    name: str
    tone: str
    camera: Camera
    reference: Taken
    frames: tuple[Taken, ...]


def shots(rng: np.random.Generator) -> Iterator[Shot]:
    """Every share with every strength once, lights at random."""
    names = list(lights())
    for share in SHARES:
        for strength in STRENGTHS if share > 0 else (0.0,):
            yield Shot(
                light=lights()[names[int(rng.integers(len(names)))]],
                iso=float(rng.choice([100.0, 400.0, 1600.0])),
                ev=float(rng.choice([-1.5, -1.0, -0.5])),
                face_cells=float(rng.choice(SIZES_CELLS)),
                mirrored=bool(rng.uniform() < 0.5),
                gloss=float(rng.uniform(0, 0.04)),
                slope_ev=float(rng.uniform(0, 0.6)),
                slope_deg=float(rng.uniform(0, 360)),
                sheen_share=share,
                sheen_strength=strength,
            )


def patches(rng: np.random.Generator) -> Iterator[Shot]:
    """As `shots`, the sheen in patches at random: a world in which no region is the safe one."""
    return (replace(shot, sheen_anywhere=True) for shot in shots(rng))


def matte(rng: np.random.Generator) -> Iterator[Shot]:
    """No sheen: all sizes, noise, and a key light that changes sides from frame to frame."""
    names = list(lights())
    for _ in range(13):
        yield Shot(
            light=lights()[names[int(rng.integers(len(names)))]],
            iso=float(rng.choice([100.0, 400.0, 1600.0, 3200.0])),
            ev=float(rng.choice([-2.0, -1.0, 0.0])),
            face_cells=float(rng.choice([25.0, 40.0, 60.0, 110.0, 160.0])),
            mirrored=bool(rng.uniform() < 0.5),
            gloss=float(rng.uniform(0, 0.04)),
            slope_ev=float(rng.uniform(0, 0.6)),
            slope_deg=float(rng.uniform(0, 360)),
            key_ev=float(rng.choice([0.0, 1.5, 2.5])),
            side=int(rng.choice([-1, 1])),
        )


WORLDS = {"sheen": shots, "patches": patches, "matte": matte}


def people(
    per_class: int,
    rounds: int,
    seed: int,
    sensitivities: Path | None,
    draw: Callable[[np.random.Generator], Iterator[Shot]] = shots,
    faces: str = "own",
) -> Iterator[Person]:
    """`per_class` skins of every class on both portraits, each with `rounds` of `draw`; `faces`: one of `FACES`."""
    rng = np.random.default_rng(seed)
    bodies = cameras(sensitivities)
    settings = BenchSettings()
    for i, skin in enumerate(measured_spectra(per_class, rng) or model_spectra(per_class, rng)):
        for k, taken in enumerate(portraits()):
            camera = bodies[int(rng.integers(len(bodies)))]
            own = np.random.default_rng((seed, i, k))
            portrait = FACES[faces](taken, np.random.default_rng((seed, i, k, 1)))

            def take(shot: Shot, skin=skin, portrait=portrait, camera=camera, own=own) -> Taken:  # type: ignore[no-untyped-def]
                frame = render(portrait, skin.reflectance, camera, shot, own)
                neutral = as_shot_neutral(camera, frame, own)
                return Taken(frame, shot, neutral, places_of(jitter(frame.mesh, own, settings.jitter)))

            first = take(Shot(lights()["D55"], 200.0, -0.5, 160.0))
            frames = tuple(take(shot) for _ in range(rounds) for shot in draw(own))
            yield Person(f"{portrait.name}, {skin.tone}, {skin.source}", skin.tone, camera, first, frames)


def compared(face: FaceSkin, first: FaceSkin, light: Vec3) -> FaceSkin:
    """`face`, its covariance with what the person's reference shows of gloss added, as the solver does it."""
    more = hidden_gloss(patterns((face,)), np.array([face.camera]), np.array([light]), patterns((first,)))[0]
    return replace(face, log_covariance=to_mat3(np.asarray(face.log_covariance) + more))


def score(person: Person, measure: Measure, *, alone: bool = True) -> list[Row]:
    """The frames of one person as one estimator sees them, empty where it does not measure the reference; the
    covariance is that of the picture `alone`, or compared with the reference."""
    first = person.reference
    seen = measure(first.frame.cells, first.places, first.frame.neutral)
    if isinstance(seen, Unusable):
        return []
    white = [float(v) for v in white_from_neutral(person.camera.profile, first.frame.neutral)]
    target, truth = (
        xyz_from_settings(person.camera.profile, c, white[0], white[1], 0.0) for c in (seen.camera, first.frame.truth)
    )
    rows = []
    for t in person.frames:
        row = Row(
            person=person.name,
            tone=person.tone,
            camera=person.camera.name,
            light=t.shot.light.name,
            kind=f"{t.shot.sheen_share:.0%} x {t.shot.sheen_strength}",
            size_px=t.shot.face_cells / BenchSettings().cells_per_px,
            iso=t.shot.iso,
            ev=t.shot.ev,
            truth_clipped=t.frame.truth_clipped,
            gloss=t.shot.gloss,
        )
        measured = measure(t.frame.cells, t.places, t.neutral)
        if not alone and isinstance(measured, FaceSkin):
            measured = compared(measured, seen, t.neutral)
        answer = scored(row, person.camera, t.frame, first.frame, measured, seen, target, truth)
        if not isinstance(measured, Unusable):
            answer = replace(answer, chroma_sd=float(np.sqrt(measured.log_covariance[0][0])))
        rows.append(answer)
    return rows


def line(title: str, rows: list[Row]) -> str:
    """n, share measured, dE00 and level at median and p95; error over stated sd (root mean square) of colour and level,
    and the part of the frames within two such sd in both, %."""
    good = [r for r in rows if r.delta_e00 is not None and r.level_ev is not None]
    if not good:
        return f"{title:<26} {len(rows):4d}   0.0"
    colour, level = np.array([r.delta_e00 for r in good]), np.abs([r.level_ev for r in good])
    off = np.array([(r.z_colour, r.z_level) for r in good])
    rms = np.sqrt((off**2).mean(axis=0))
    # two sd of a plane (2.48) hold as much as two of a line
    within = (off[:, 0] * np.sqrt(2) < PLANE_2SD) & (np.abs(off[:, 1]) < 2.0)
    return (
        f"{title:<26} {len(rows):4d} {100 * len(good) / len(rows):6.1f}  {np.median(colour):6.2f} "
        f"{np.percentile(colour, 95):6.2f}  {np.median(level):7.3f} {np.percentile(level, 95):6.3f}  "
        f"{rms[0]:7.2f} {rms[1]:6.2f} {100 * within.mean():7.0f}"
    )


def pooled(title: str, rows: list[Row]) -> str:
    """All frames of a person as one: their errors weighed by the stated variances, as a solver weighs them."""
    off = []
    for person in dict.fromkeys(r.person for r in rows):
        mine = [r for r in rows if r.person == person and r.log_error is not None]
        error, sd = (np.array([getattr(r, name) for r in mine]) for name in ("log_error", "log_sd"))
        off.append((error / sd**2).sum(axis=0) / (1.0 / sd**2).sum(axis=0))
    red, blue, green = np.sqrt((np.array(off) ** 2).mean(axis=0))
    return f"a person's frames pooled, {title:<9} ln R/G {red:.3f}  ln B/G {blue:.3f}  level {green / np.log(2):.3f} EV"


def main(arguments: list[str] | None = None) -> int:
    """Print a line per setting, class and estimator."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.skin.gloss", description=__doc__)
    parser.add_argument("--people", type=int, default=1, help="skins per class")
    parser.add_argument("--rounds", type=int, default=1, help="frames per setting and person")
    parser.add_argument("--world", choices=sorted(WORLDS), default="sheen")
    parser.add_argument("--faces", choices=sorted(FACES), default="own", help="the portraits, or faces made from them")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sensitivities", type=Path)
    parser.add_argument("--cache", type=Path, help="a file that keeps the rendered frames")
    options = parser.parse_args(arguments)
    if options.cache and options.cache.exists():
        with options.cache.open("rb") as file:
            shown = pickle.load(file)  # written by this program
    else:
        draw = WORLDS[options.world]
        shown = list(people(options.people, options.rounds, options.seed, options.sensitivities, draw, options.faces))
        if options.cache:
            with options.cache.open("wb") as file:
                pickle.dump(shown, file, 4)
    rows = {name: [r for p in shown for r in score(p, measure)] for name, measure in ESTIMATORS.items()}
    rows["compared"] = [r for p in shown for r in score(p, whole, alone=False)]
    print(f"{'':<26}    n  meas%    dE00    p95       EV    p95  colour  level  in 2sd")
    for title, key in (("sheen: share x strength", lambda r: r.kind), ("tone class", lambda r: r.tone)):
        print(title)
        for value in dict.fromkeys(key(r) for r in rows["measured"]):
            for name, mine in rows.items():
                print(line(f"  {value} {name}", [r for r in mine if key(r) == value]))
    for name, mine in rows.items():
        print(line(f"all {name}", mine))
    for name in ("measured", "compared"):
        print(pooled(name, rows[name]))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
