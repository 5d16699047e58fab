"""Make the whole shoot: frames, sidecars and the truth, the same from the same seed."""

from __future__ import annotations

import contextlib
import json
import multiprocessing
from collections.abc import Callable, Collection, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from demo_shoot.camera import body_sensitivity, colour_profile, dng_profile, expose, preview
from demo_shoot.dng import DngExif, stored_from_upright, write_dng
from demo_shoot.dng_model import neutral_from_xy, temperature_tint_from_xy, xy_from_neutral
from demo_shoot.packets import Edits, FaceRegion, Look, packet
from demo_shoot.picture import Face, paint
from demo_shoot.places import HALL
from demo_shoot.shots import REFERENCE, SHOTS, Shot
from demo_shoot.spectra import camera_response, daylight, flat_reflectance
from demo_shoot.truth import PersonTruth, frame_answer, reference_colours

WIDTH, HEIGHT = 1440, 960
START = datetime(2031, 6, 14, 10, 5, 0, 250000)
WHITE_LEVEL_SHARE = 0.62
"""Linear value of a white surface facing the key light when the exposure is as intended."""
_SHUTTERS = np.array([2.0 ** (-third / 3.0) for third in range(-6, 40)])


@dataclass(frozen=True, eq=False)
class Made:
    """One frame in memory: the upright noise-free picture already exposed, its faces, and the camera's settings."""

    name: str
    shot: Shot
    linear: np.ndarray
    faces: tuple[Face, ...]
    as_shot: tuple[float, float]
    as_shot_neutral: np.ndarray
    exif: DngExif


def make_frame(index: int, seed: int) -> Made:
    """Frame number `index` of the shot list, before noise."""
    shot = SHOTS[index]
    rng = np.random.default_rng([seed, index])
    upright = (HEIGHT, WIDTH) if shot.orientation >= 5 else (WIDTH, HEIGHT)
    camera = body_sensitivity(shot.body)
    picture, faces = paint(shot, camera, *upright, rng)
    exposure_s, gain = _exposure(shot)
    neutral = _as_shot_neutral(shot, camera, rng)
    profile = colour_profile(shot.body)
    white = temperature_tint_from_xy(xy_from_neutral(profile, neutral))
    exif = DngExif(
        time=time_of(index),
        exposure_s=exposure_s,
        f_number=shot.f_number,
        iso=shot.iso,
        focal_mm=85.0 if len(shot.singers) == 1 else 50.0,
        flash_fired=shot.flash,
        utc_offset="+02:00",
        serial=shot.body.serial,
        lens="Village 24-120 mm f/2",
    )
    lit = tuple(Face(face.name, face.box, face.skin * gain, face.sides * gain) for face in faces)
    return Made(f"jubilee_{index + 1:04d}", shot, picture * np.float32(gain), lit, white, neutral, exif)


def time_of(index: int) -> datetime:
    """When frame number `index` was taken."""
    return START + timedelta(seconds=sum(one.pause_s for one in SHOTS[: index + 1]))


def make_shoot(
    folder: Path,
    seed: int = 1,
    tell: Callable[[str], None] = lambda _: None,
    *,
    only: Collection[int] | None = None,
    jobs: int = 1,
) -> dict[str, Any]:
    """Write every frame, sidecar and `truth.json` into `folder` (made if missing, its own files overwritten).

    `only`: indices of the shots to make, counted from 0 (the reference is 1); all of them if None. `jobs` processes
    share the work; the files do not depend on their number. Returns what `truth.json` holds: see docs/demo-shoot.md.
    """
    folder.mkdir(parents=True, exist_ok=True)
    reference = make_frame(int(REFERENCE.rsplit("_", 1)[1]) - 1, seed)
    numbers = _numbers(reference, _look(reference, _styles(reference.shot)))
    skins = [(face.name, face.skin) for face in reference.faces]
    targets = reference_colours(colour_profile(reference.shot.body), skins, numbers)
    work = [(folder, index, seed, targets) for index in sorted(range(len(SHOTS)) if only is None else only)]
    frames = []
    with contextlib.ExitStack() as stack:
        results: Iterable[dict[str, Any]]
        if jobs > 1:
            pool = ProcessPoolExecutor(jobs, mp_context=multiprocessing.get_context("spawn"))
            results = stack.enter_context(pool).map(_one_frame, work)
        else:
            results = map(_one_frame, work)
        for frame in results:
            people = ", ".join(person["name"] for person in frame["people"])
            tell(f"{frame['frame']}  {frame['place']}: {people or 'nobody'}")
            frames.append(frame)
    truth = {
        "schema": 1,
        "seed": seed,
        "reference": REFERENCE,
        "reference_xyz_d50": {name: xyz.tolist() for name, xyz in targets.items()},
        "frames": frames,
    }
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return truth


def _one_frame(work: tuple[Path, int, int, dict[str, np.ndarray]]) -> dict[str, Any]:
    """Write one frame and its sidecar; what is true about it."""
    folder, index, seed, targets = work
    made = make_frame(index, seed)
    _write_frame(folder, made, seed, index)
    return _frame_truth(made, targets)


def _exposure(shot: Shot) -> tuple[float, float]:
    """(shutter in seconds, a third of a stop exactly; linear value of white facing a key light of strength 1)."""
    wanted = shot.f_number**2 / (shot.place.level * shot.iso) * 0.05 * 2.0**shot.error_ev
    if shot.flash:
        return 1 / 160, WHITE_LEVEL_SHARE * 2.0 ** (shot.error_ev + shot.light_ev)
    exposure_s = float(_SHUTTERS[np.argmin(np.abs(np.log2(_SHUTTERS / wanted)))])
    intended = shot.f_number**2 / (shot.place.level * shot.iso) * 0.05
    return exposure_s, float(WHITE_LEVEL_SHARE * exposure_s / intended * 2.0**shot.light_ev)


def _as_shot_neutral(shot: Shot, camera: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The camera's automatic white: part of the way from daylight to the main light, a little different each time."""
    flat = flat_reflectance(1.0)
    light = camera_response(shot.place.lights[0], flat, camera)
    plain = camera_response(daylight(5500.0), flat, camera)
    share = shot.place.auto_white
    wobble = rng.normal(0.0, 0.02, 3) * (share > 0)
    neutral = np.exp(share * np.log(light) + (1 - share) * np.log(plain) + wobble)
    return np.round(neutral / neutral.max(), 6)


def _styles(shot: Shot) -> set[str]:
    return set(shot.edits.split("+")) - {""}


def _look(made: Made, styles: set[str]) -> Look | None:
    """White balance and exposure set by hand: a bit warmer than as shot; on the reference, careful work."""
    if "look" not in styles:
        return None
    if made.name == REFERENCE:
        profile = colour_profile(made.shot.body)
        light = camera_response(HALL.lights[0], flat_reflectance(1.0), body_sensitivity(made.shot.body))
        temperature_k, tint = temperature_tint_from_xy(xy_from_neutral(profile, light / light.max()))
        return Look(round(temperature_k * 1.02), round(tint), 0.35)
    return Look(round(made.as_shot[0] * 1.06), round(made.as_shot[1]) + 3, -0.2)


def _numbers(made: Made, look: Look | None) -> tuple[float, float, float]:
    return (look.temperature_k, look.tint, look.exposure_ev) if look else (*made.as_shot, 0.0)


def _edits(made: Made) -> Edits | None:
    styles = _styles(made.shot)
    if not styles:
        return None
    number = int(made.name.rsplit("_", 1)[1])
    other = bool(styles & {"other", "embedded"})
    regions = [FaceRegion(face.name, face.box) for face in made.faces] if "regions" in styles else []
    return Edits(
        look=_look(made, styles),
        rating=1 + number % 5 if other else None,
        keywords=("choir", *made.shot.place.keywords) if other else (),
        crop=(0.02, 0.03, 0.97, 0.98) if "other" in styles and number % 2 else None,
        contrast=6 + number % 9 if other else None,
        regions=regions,
        as_elements=bool(number % 2),
    )


def _write_frame(folder: Path, made: Made, seed: int, index: int) -> None:
    shot = made.shot
    rng = np.random.default_rng([seed, index, 1])
    stored = stored_from_upright(made.linear, shot.orientation)
    edits = _edits(made)
    height, width = made.linear.shape[:2]
    embedded = "embedded" in _styles(shot)
    words = None
    if edits is not None:
        words = packet(edits, width=width, height=height, raw_name=f"{made.name}.dng", wrapper=embedded)
    write_dng(
        folder / f"{made.name}.dng",
        expose(stored, shot.body, shot.iso, rng),
        profile=dng_profile(shot.body, made.as_shot_neutral, shot.iso),
        exif=made.exif,
        cfa=shot.body.cfa,
        black=512,
        white=15871,
        orientation=shot.orientation,
        model=shot.body.model,
        preview_rgb=preview(stored, shot.body, *made.as_shot),
        preview_quality=80,
        xmp=words if embedded else None,
    )
    if words is not None and not embedded:
        (folder / f"{made.name}.xmp").write_bytes(words)


def _frame_truth(made: Made, targets: dict[str, np.ndarray]) -> dict[str, Any]:
    profile = colour_profile(made.shot.body)
    people = [PersonTruth(face.name, face.box, face.skin, face.sides) for face in made.faces]
    camera = body_sensitivity(made.shot.body)
    whites = []
    for light in made.shot.place.lights:
        neutral = camera_response(light, flat_reflectance(1.0), camera)
        whites.append(temperature_tint_from_xy(xy_from_neutral(profile, neutral / neutral.max())))
    assert np.allclose(
        neutral_from_xy(profile, xy_from_neutral(profile, made.as_shot_neutral)), made.as_shot_neutral, atol=1e-4
    )
    baseline = _numbers(made, _look(made, _styles(made.shot)))
    return {
        "frame": made.name,
        "place": made.shot.place.name,
        "body": made.shot.body.model,
        "as_shot": {"temperature_k": made.as_shot[0], "tint": made.as_shot[1]},
        "baseline": dict(zip(("temperature_k", "tint", "exposure_ev"), baseline, strict=True)),
        "lights": [{"temperature_k": t, "tint": tint} for t, tint in whites],
        **frame_answer(profile, people, targets, baseline),
    }
