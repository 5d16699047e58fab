"""The figures of a proposal, confirmed by colour-science before anything can be written."""

from __future__ import annotations

import threading
from collections import defaultdict
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.errors import OwnCheckFailed
from xmpsync.records import Develop, Vec3
from xmpsync.solve.problem import Frame
from xmpsync.solve.skin_regions import judged_camera
from xmpsync.solve.solution import FaceResult, Solution

LARGEST_DE00 = 0.05
"""CIEDE2000 by which the two implementations may differ: half of the last digit that is printed."""
LARGEST_EV = 0.005
"""EV by which they may differ: half of the last digit that is printed."""
DARKEST_EV = -20.0
"""Level below which a luminance counts as none: the solver's coordinate puts a negative one at 1e-12, -40 EV."""


def import_beside() -> None:
    """Start to import colour-science in a thread, so that it is there when `confirm` needs it."""

    def work() -> None:
        # Whatever is wrong comes up again, with its traceback, in `confirm`.
        with suppress(Exception):
            from xmpsync.colour.judge import colour_science

            colour_science()

    threading.Thread(target=work, name="import colour-science", daemon=True).start()


@dataclass(frozen=True, slots=True)
class _Claim:
    """One printed figure: a face's skin at some numbers, its difference from its person."""

    frame_id: str
    face_id: str
    when: str
    camera: FloatArray
    settings: Develop
    gain_ev: float
    person_lab: Vec3
    delta_e00: float
    level_ev: float


def confirm(frames: tuple[Frame, ...], solution: Solution, after: Mapping[str, Develop]) -> int:
    """Work out every printed skin difference a second time; the number of figures that were compared.

    `after`: the numbers that will be written, by frame; a frame that is missing stays at its baseline. Raises
    OwnCheckFailed where a figure differs by more than 0.05 dE00 or 0.005 EV, with the frame's name.
    """
    claims: dict[CameraProfile, list[_Claim]] = defaultdict(list)
    person_lab = {person.name: person.lab_d50 for person in solution.persons}
    camera = judged_camera(frames)
    for frame, result in zip(frames, solution.frames, strict=True):
        for face in result.faces:
            skin = camera.get((frame.frame_id, face.face_id))
            if face.person is not None and skin is not None:
                lab = person_lab[face.person]
                claims[frame.profile] += _claims(frame, face, skin, lab, after.get(frame.frame_id))
    for profile, of_profile in claims.items():
        _compare(profile, of_profile)
    return sum(len(of_profile) for of_profile in claims.values())


def _claims(frame: Frame, face: FaceResult, camera: FloatArray, lab: Vec3, after: Develop | None) -> list[_Claim]:
    return [
        _Claim(
            frame.frame_id, face.face_id, when, camera, settings, settings.exposure_ev + frame.baseline_exposure_ev,
            lab, de00, level,
        )
        for when, settings, de00, level in (
            ("before", frame.baseline, face.delta_e00_before, face.level_ev_before),
            ("after", after or frame.baseline, face.delta_e00_after, face.level_ev_after),
        )
        if de00 is not None and level is not None
    ]  # fmt: skip


def _compare(profile: CameraProfile, claims: list[_Claim]) -> None:
    from xmpsync.colour.judge import rendered, skin_difference

    if not claims:
        return
    numbers = np.array([(c.settings.temperature_k, c.settings.tint, c.gain_ev) for c in claims])
    xyz = rendered(profile, np.array([c.camera for c in claims]), *numbers.T)
    de00, level = skin_difference(xyz, np.array([c.person_lab for c in claims]))
    off_de00 = np.abs(de00 - [c.delta_e00 for c in claims])
    off_ev = np.abs(level - [c.level_ev for c in claims])
    # near-monochrome light can render to a negative luminance: no figure there, in either implementation
    no_luminance = np.isnan(level) & (np.array([c.level_ev for c in claims]) < DARKEST_EV)
    wrong = ~(((off_de00 <= LARGEST_DE00) & (off_ev <= LARGEST_EV)) | no_luminance)
    if wrong.any():
        i = int(np.flatnonzero(wrong)[0])
        claim = claims[i]
        raise OwnCheckFailed(
            f"Two implementations of the colour model differ on the skin of {claim.frame_id} ({claim.when}): "
            f"{claim.delta_e00:.2f} and {de00[i]:.2f} dE00, {claim.level_ev:+.3f} and {level[i]:+.3f} EV"
            + (f"; {int(wrong.sum()) - 1} more figures differ too." if wrong.sum() > 1 else "."),
            next_step="--frames can leave the frame out meanwhile.",
        )
