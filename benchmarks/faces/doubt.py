"""What it costs to set doubtful faces aside: `python -m benchmarks.faces.doubt`.

`--frames N` a row (default 6), `--seed S`, `--rows TEXT`. Frames of `benchmarks.faces.hard`, taken as one shoot of
twelve people (two portraits in six tones). A true face that was found with a score under
`xmpsync.solve.doubtful.SURE` gives no colour (`perhaps-no-face`) unless a surely seen face of another frame is likelier
the same person than somebody else. Told by tone class: how many are found, how many are doubtful, how many stay aside
with identity numbers and with `--no-people`. Each found face counts as one with skin, so the shares are upper bounds.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np

from benchmarks.faces.hard import ROWS, made, matched
from benchmarks.faces.light import TONES
from benchmarks.faces.nobody import frames as empty_frames
from xmpsync.faces.finder import FaceFinder, make_finder
from xmpsync.faces.records import FoundFace
from xmpsync.measurement import Face
from xmpsync.solve.doubtful import SURE, _has_partner, is_sure


@dataclass(frozen=True)
class Met:
    """One true face that was found: its frame, tone, and what the solver would get."""

    frame: str
    tone: str
    face: Face


def met(per_row: int, seed: int, only: str, finder: FaceFinder) -> tuple[list[Met], list[float]]:
    """The true faces that were found, and the scores of found ones that are none."""
    grounds = [p for _, p in empty_frames(np.random.default_rng(seed + 1), 30)]
    out: list[Met] = []
    false: list[float] = []
    for name in (n for n in ROWS if only in n):
        for number in range(per_row):
            frame, tones, _ = made(name, number, seed, grounds)
            found, _ = finder.find(frame.camera, neutral=frame.neutral)
            matches = matched(frame, found)
            out += [Met(f"{name} {number}", t, _face(m)) for t, m in zip(tones, matches, strict=True) if m]
            false += [f.score for f in found if not any(f is m for m in matches)]
    return out, false


def _face(found: FoundFace) -> Face:
    return Face(
        found.face_id,
        found.box,
        identity=found.identity,
        identity_sd=found.identity_sd,
        origin=found.origin.value,
        score=found.score,
    )


def table(faces: list[Met], false: list[float]) -> str:
    """By tone class: found, doubtful, set aside with identity numbers and without."""
    sure = [(m.frame, m.face) for m in faces if m.face.identity is not None and is_sure(m.face)]
    lines = [f"{'':16}{'found':>7}{'doubtful':>13}{'aside with people':>19}{'aside with --no-people':>24}"]
    for tone in (*TONES, "all"):
        part = [m for m in faces if tone in (m.tone, "all")]
        weak = [m for m in part if not is_sure(m.face)]
        aside = [m for m in weak if not _has_partner(m.frame, m.face, sure)]
        shares = [f"{len(some)} ({len(some) / max(len(part), 1):.1%})" for some in (weak, aside, weak)]
        lines.append(f"{tone:16}{len(part):>7}{shares[0]:>13}{shares[1]:>19}{shares[2]:>24}")
    lines.append(f"false faces {len(false)}, of these sure {sum(score >= SURE for score in false)}")
    return "\n".join(lines)


def main() -> None:
    """Parse the options, run, print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.faces.doubt", description=__doc__)
    parser.add_argument("--frames", type=int, default=6)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--rows", default="", help="only rows whose name holds this")
    options = parser.parse_args()
    print(table(*met(options.frames, options.seed, options.rows, make_finder(people=True))))


if __name__ == "__main__":
    main()
