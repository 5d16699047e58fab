"""Read the sidecars as another program would, render the true skin with their numbers, compare with the reference."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.whole_shoot.shoot import TrueFrame
from demo_shoot.dng_model import difference, render, solve
from demo_shoot.packets import Edits, packet, rounded_look
from demo_shoot.truth import PersonTruth, joint_correction

_CRS = "{http://ns.adobe.com/camera-raw-settings/1.0/}"
Numbers = tuple[float, float, float]


@dataclass(frozen=True)
class Score:
    """One way of setting the frames: skin difference at equal luminance and level error over all faces judged."""

    name: str
    de00_median: float
    de00_p95: float
    ev_median: float
    ev_p95: float
    n_faces: int


@dataclass(frozen=True)
class FaceScore:
    """One face of one frame under one way of setting it."""

    frame: str
    light: str
    person: str
    in_reference: bool
    de00: float
    ev: float


def sidecar_numbers(path: Path) -> Numbers | None:
    """(kelvin, tint, EV) that a sidecar holds; None without a file or without a white of its own."""
    if not path.exists():
        return None
    found: dict[str, str] = {}
    for element in ET.parse(path).iter():
        for key, value in element.attrib.items():
            if key.startswith(_CRS):
                found[key[len(_CRS) :]] = value
        if element.tag.startswith(_CRS):
            found[element.tag[len(_CRS) :]] = (element.text or "").strip()
    if "Temperature" not in found or "Tint" not in found or found.get("WhiteBalance") == "As Shot":
        return None
    exposure = found.get("Exposure2012", found.get("Exposure", "0"))
    return float(found["Temperature"]), float(found["Tint"]), float(exposure)


def score_faces(frames: Sequence[TrueFrame], numbers_of: Callable[[TrueFrame], Numbers]) -> list[FaceScore]:
    """Every face of every frame but the reference."""
    out = []
    for frame in frames:
        if frame.is_reference:
            continue
        numbers = numbers_of(frame)
        for face in frame.faces:
            de00, ev = difference(render(frame.profile, face.skin, *numbers), face.target_xyz)
            out.append(FaceScore(frame.name, frame.light, face.person, face.in_reference, de00, ev))
    return out


def following(frames: Sequence[TrueFrame], numbers_of: Callable[[TrueFrame], Numbers]) -> tuple[float, float, int]:
    """Frames without faces against the ideal skin settings of their light: median mired and tint, and how many."""
    off = [
        (abs(1e6 / numbers[0] - 1e6 / frame.ideal[0]), abs(numbers[1] - frame.ideal[1]))
        for frame, numbers in ((frame, numbers_of(frame)) for frame in frames if not frame.faces)
    ]
    if not off:
        return float("nan"), float("nan"), 0
    mired, tint = np.median(off, axis=0)
    return float(mired), float(tint), len(off)


def summary(name: str, faces: Sequence[FaceScore]) -> Score:
    """Median and 95th percentile over faces."""
    de00 = np.array([face.de00 for face in faces])
    ev = np.abs([face.ev for face in faces])
    return Score(
        name,
        float(np.median(de00)),
        float(np.percentile(de00, 95)),
        float(np.median(ev)),
        float(np.percentile(ev, 95)),
        len(faces),
    )


def as_shot(frame: TrueFrame) -> Numbers:
    """What a frame without a sidecar shows."""
    return (*frame.as_shot, 0.0)


def grey_card(frame: TrueFrame) -> Numbers:
    """A perfect grey card: the light itself is neutral; exposure untouched."""
    return (*frame.grey_card, 0.0)


def from_sidecars(folder: Path) -> Callable[[TrueFrame], Numbers]:
    """What the folder's sidecars say; as shot where they say nothing."""
    return lambda frame: sidecar_numbers(folder / f"{frame.name}.xmp") or as_shot(frame)


def write_true_sidecars(folder: Path, frames: Sequence[TrueFrame]) -> None:
    """Sidecars solved from the truth, rounded as sidecars are: what the scorer gives for them is its own floor."""
    for frame in frames:
        if frame.is_reference or not frame.faces:
            continue
        people = [PersonTruth(face.person, face.box, face.skin, np.stack([face.skin] * 2)) for face in frame.faces]
        targets = {face.person: face.target_xyz for face in frame.faces}
        if len(people) == 1:
            numbers = solve(frame.profile, people[0].skin, targets[people[0].name])
        else:
            found = joint_correction(frame.profile, people, targets)
            assert found is not None
            numbers = found
        look = rounded_look(*numbers)
        (folder / f"{frame.name}.xmp").write_bytes(
            packet(Edits(look=look), width=1, height=1, raw_name=f"{frame.name}.dng", wrapper=False)
        )


def by_light(faces: Sequence[FaceScore]) -> dict[str, Any]:
    """Median skin difference and level error per light."""
    out = {}
    for light in sorted({face.light for face in faces}):
        here = [face for face in faces if face.light == light]
        out[light] = {
            "faces": len(here),
            "delta_e00_median": float(np.median([face.de00 for face in here])),
            "delta_e00_worst": float(max(face.de00 for face in here)),
            "level_ev_median": float(np.median(np.abs([face.ev for face in here]))),
        }
    return out
