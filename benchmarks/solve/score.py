"""Scores of a set of corrections against the truth of a simulated shoot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmarks.skin.spectra import Array
from benchmarks.solve.wedding import Shoot
from xmpsync.colour.camera import apply, xyz_from_camera
from xmpsync.colour.difference import skin_difference
from xmpsync.colour.match import settings_for_target
from xmpsync.records import Settings3
from xmpsync.solve.solution import Code, Solution


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Everything per face (f) and per frame, with the shoot number left out: arrays of equal length per kind."""

    face_de: Array
    face_de_as_shot: Array
    face_ev: Array
    face_person: Array
    face_reference: Array
    face_tone: tuple[str, ...]
    face_mixed: Array
    frame_worse: Array
    jitter: Array
    faceless: Array
    apart: Array
    flagged: Array
    sd_ratio: Array


def true_theta(shoot: Shoot) -> list[Array]:
    """Per frame: mired, tint, EV that bring clean skin under the frame's main light to its target, median of people."""
    out = []
    for frame, true in zip(shoot.request.frames, shoot.truth, strict=True):
        kelvin, tint, ev = settings_for_target(frame.profile, true.everybody, shoot.targets)
        rows = [f.person for f in true.faces if not f.mixed] or list(range(len(true.everybody)))
        asked = np.stack([1e6 / kelvin, tint, ev], axis=1)
        out.append(np.nanmedian(asked[rows], axis=0))
    return out


def corrections_of(shoot: Shoot, solution: Solution) -> list[Settings3]:
    """What each frame's sidecar holds after the run."""
    return [
        frame.baseline if result.correction is None else result.correction
        for frame, result in zip(shoot.request.frames, solution.frames, strict=True)
    ]


def errors(shoot: Shoot, corrections: list[Settings3]) -> tuple[list[Array], list[Array]]:
    """Per frame: CIEDE2000 at equal luminance and level in EV of each face's clean skin."""
    de, ev = [], []
    for frame, true, c in zip(shoot.request.frames, shoot.truth, corrections, strict=True):
        if not true.faces:
            de.append(np.zeros(0))
            ev.append(np.zeros(0))
            continue
        matrix = 2.0**c.exposure_ev * xyz_from_camera(frame.profile, c.temperature_k, c.tint)
        xyz = apply(matrix, np.array([f.clean for f in true.faces]))
        d, level = skin_difference(xyz, shoot.targets[[f.person for f in true.faces]])
        de.append(d)
        ev.append(level)
    return de, ev


def rows(shoot: Shoot, corrections: list[Settings3], solution: Solution | None) -> Rows:
    """All the numbers of one shoot."""
    de, ev = errors(shoot, corrections)
    before, _ = errors(shoot, [f.as_shot for f in shoot.request.frames])
    theta = true_theta(shoot)
    solved = np.array([(1e6 / c.temperature_k, c.tint, c.exposure_ev) for c in corrections])
    off = solved - np.array(theta)
    with_face = np.array([bool(t.faces) for t in shoot.truth])
    setups = np.array([t.setup for t in shoot.truth])
    jitter = []
    for setup in np.unique(setups):
        here = off[(setups == setup) & with_face]
        if len(here) > 4:
            jitter.append(1.4826 * np.median(np.abs(here - np.median(here, axis=0)), axis=0))
    apart, flagged = [], []
    for i, (frame, true, c) in enumerate(zip(shoot.request.frames, shoot.truth, corrections, strict=True)):
        if len(true.faces) < 2 or solution is None:
            continue
        matrix = 2.0**c.exposure_ev * xyz_from_camera(frame.profile, c.temperature_k, c.tint)
        xyz = apply(matrix, np.array([f.clean for f in true.faces]))
        target = shoot.targets[[f.person for f in true.faces]]
        worst = 0.0
        for a in range(len(xyz)):
            for b in range(len(xyz)):
                # what a needs, applied to b's target, against what b needs
                moved = target[b] * (xyz[a] / target[a])
                worst = max(worst, float(skin_difference(moved, xyz[b])[0]))
        apart.append(worst)
        flagged.append(any(f.code is Code.MIXED_LIGHT for f in solution.frames[i].findings))
    ratio = []
    if solution is not None:
        for i, result in enumerate(solution.frames):
            if result.correction is not None and result.sd_mired > 0 and with_face[i]:
                ratio.append(off[i] / np.array([result.sd_mired, result.sd_tint, result.sd_ev]))
    faces = [(i, f) for i, t in enumerate(shoot.truth) for f in t.faces]
    return Rows(
        face_de=np.concatenate(de),
        face_de_as_shot=np.concatenate(before),
        face_ev=np.concatenate(ev),
        face_person=np.array([f.person for _, f in faces]),
        face_reference=np.array([f.person in shoot.reference_persons for _, f in faces], dtype=bool),
        face_tone=tuple(shoot.tones[f.person] for _, f in faces),
        face_mixed=np.array([f.mixed or any(o.mixed for o in shoot.truth[i].faces) for i, f in faces], dtype=bool),
        frame_worse=np.array([np.mean(a) > np.mean(b) + 1.0 for a, b in zip(de, before, strict=True) if len(a)]),
        jitter=np.array(jitter).reshape(-1, 3),
        faceless=np.abs(off[~with_face]).reshape(-1, 3),
        apart=np.array(apart),
        flagged=np.array(flagged, dtype=bool),
        sd_ratio=np.array(ratio).reshape(-1, 3),
    )
