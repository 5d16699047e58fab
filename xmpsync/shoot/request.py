"""From measurements and sidecars to the solver's question, and the way back into the editor's numbers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.camera import white_from_neutral
from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.errors import LeftAlone, SidecarMalformed, Trouble
from xmpsync.measurement import FrameMeasurement
from xmpsync.measuring.source import SourceFrame
from xmpsync.plan.options import Options
from xmpsync.plan.standing import Baseline, Standing, baseline
from xmpsync.records import Develop, Vec3
from xmpsync.shoot.load import Loaded, why_left_out
from xmpsync.shoot.names_given import Answer, face_at
from xmpsync.shoot.scales import Scales
from xmpsync.shoot.wishes import Bound
from xmpsync.solve.doubtful import without_doubtful
from xmpsync.solve.problem import Frame, Request
from xmpsync.xmp.embedded import embedded_packet
from xmpsync.xmp.settings import DevelopSettings, read_settings

DAYLIGHT = Develop(5500.0, 0.0, 0.0)
"""Fills the place of the as-shot white where the RAW does not give its neutral (`Frame.as_shot_known` False): nothing
is written or concluded from it."""
UNKNOWN_WHITE = (
    "The RAW does not give the white balance that the camera chose: such a frame gets one only from skin, its own or"
    " its light's."
)


@dataclass(frozen=True, slots=True)
class Stand:
    """All frames where they stand, before any question is asked."""

    frames: Mapping[str, Standing]
    troubles: tuple[Trouble, ...]
    left_out: tuple[LeftAlone, ...]

    def notes(self) -> tuple[str, ...]:
        """Metadata that changes the meaning of the numbers, each with the number of frames."""
        told = Counter(note for standing in self.frames.values() for note in _notes(standing))
        return tuple(f"{n} {'frame' if n == 1 else 'frames'}: {note}" for note, n in sorted(told.items()))


def _notes(standing: Standing) -> list[str]:
    settings = standing.settings
    notes = [standing.baseline.note] if standing.baseline.note else []
    if standing.measurement.as_shot_neutral is None:
        notes.append(UNKNOWN_WHITE)
    if settings is not None:
        notes += [alteration.sentence for alteration in settings.alters_meaning]
        notes += [number.sentence for number in settings.unreadable]
    return notes + list(standing.measurement.notes)


def take_stand(
    loaded: Loaded,
    measured: Mapping[str, FrameMeasurement],
    options: Options,
    ours: Mapping[str, object],
    scales: Scales,
) -> Stand:
    """Where every measured frame stands now.

    Parameters
    ----------
    ours
        Notes of our own runs for sidecars whose bytes are exactly what we wrote, by frame.
    """
    troubles: list[Trouble] = []
    left_out: list[LeftAlone] = []
    rows: list[tuple[SourceFrame, FrameMeasurement, DevelopSettings | None, Baseline]] = []
    for source in loaded.frames:
        measurement = measured.get(source.frame_id)
        if measurement is None:
            continue
        if not scales.profile_for(measurement).calibrations:
            why = next(iter(measurement.notes), "No colour matrix is known for this camera.")
            troubles.append(Trouble(source.frame_id, f"{source.frame_id}: {why}"))
            continue
        settings = source.settings
        if source.sidecar is None and measurement.embedded_xmp is not None:
            try:
                settings = read_settings(embedded_packet(measurement.embedded_xmp))
            except SidecarMalformed as error:
                troubles.append(
                    Trouble(
                        source.frame_id,
                        f"{source.frame_id}: the packet inside the RAW cannot be used: {error.what}.",
                        "Save the metadata from your editor into a sidecar.",
                    )
                )
                continue
            reason = None if source.frame_id in loaded.wishes.asked_for else why_left_out(settings, options)
            if reason:
                left_out.append(LeftAlone(source.frame_id, reason))
                continue
        rows.append((source, measurement, settings, baseline(settings, ours.get(source.frame_id))))
    profiles = [scales.profile_for(measurement) for _, measurement, _, _ in rows]
    whites = _as_shot_whites(profiles, [m.as_shot_neutral for _, m, _, _ in rows])
    frames = {
        source.frame_id: Standing(source, measurement, settings, where, profile, white)
        for (source, measurement, settings, where), profile, white in zip(rows, profiles, whites, strict=True)
    }
    return Stand(frames, tuple(troubles), tuple(left_out))


def _as_shot_whites(profiles: list[CameraProfile], neutrals: list[Vec3 | None]) -> list[Develop]:
    """The as-shot whites, one vectorised call per profile."""
    whites = [DAYLIGHT] * len(profiles)
    rows_of: dict[CameraProfile, list[int]] = {}
    for row, (profile, neutral) in enumerate(zip(profiles, neutrals, strict=True)):
        if neutral is not None:
            rows_of.setdefault(profile, []).append(row)
    for profile, rows in rows_of.items():
        temperature_k, tint = white_from_neutral(profile, np.array([neutrals[row] for row in rows]))
        for row, t, d in zip(rows, temperature_k, tint, strict=True):
            whites[row] = Develop(float(t), float(d), 0.0)
    return whites


def build_request(stand: Stand, options: Options, bound: Bound, answers: Sequence[Answer] = ()) -> Request:
    """The solver's question."""
    held = set(bound.keep)
    if options.keep_custom:
        held |= {frame_id for frame_id, standing in stand.frames.items() if standing.baseline.custom}
    frames = tuple(
        _named(_frame(s, bound.clocks, s.frame_id in held), s, answers)
        for s in stand.frames.values()
        if s.frame_id not in bound.leave_out
    )
    return Request(
        frames=without_doubtful(frames, {r.frame_id for r in bound.references if r.frame_id}),
        references=bound.references,
        strength=options.strength,
        group_strengths=bound.strengths,
        neutral_weight=options.neutral_weight,
        tolerance_de00=options.tolerance_de00,
        tolerance_ev=options.tolerance_ev,
        nudges=bound.nudges,
    )


def as_it_stands(standing: Standing) -> Frame:
    """The frame of a standing, without names, marks and corrected clocks."""
    return _frame(standing, {}, False)


def _frame(standing: Standing, clocks: Mapping[str, float], held: bool) -> Frame:
    measurement, where = standing.measurement, standing.baseline
    capture, stands = measurement.capture, where.over(standing.as_shot)
    frame = Frame(
        frame_id=standing.frame_id,
        profile=standing.profile,
        capture=capture,
        as_shot=standing.as_shot,
        baseline=stands,
        baseline_known=where.known and (not stands.as_shot or measurement.as_shot_neutral is not None),
        baseline_exposure_ev=measurement.baseline_exposure_ev,
        faces=measurement.faces,
        neutrals=measurement.neutrals,
        scene=measurement.scene,
        held=held,
        as_shot_known=measurement.as_shot_neutral is not None,
    )
    return shifted(frame, {capture.body: clocks.get(capture.body, 0.0)})


def _named(frame: Frame, standing: Standing, answers: Sequence[Answer]) -> Frame:
    """The frame with the photographer's answers on its faces.

    A name from a face region is left as it is; the same name given by hand makes it certain.
    """
    names = {}
    for answer in answers:
        if answer.frame_id == frame.frame_id:
            face = face_at(standing.measurement.faces, answer.x, answer.y)
            if face is not None and face.name in (None, answer.name):
                names[face.face_id] = answer.name
    if not names:
        return frame
    faces = (
        replace(face, name=names[face.face_id], named_by_hand=True) if face.face_id in names else face
        for face in frame.faces
    )
    return replace(frame, faces=tuple(faces))


def contradictions(stand: Stand, answers: Sequence[Answer]) -> tuple[str, ...]:
    """A sentence for each answer that does not count: a face region has another name, or there is no face."""
    told = []
    for answer in answers:
        standing = stand.frames.get(answer.frame_id)
        if standing is None:
            continue
        face = face_at(standing.measurement.faces, answer.x, answer.y)
        place = f"{answer.frame_id}@{answer.x:.3f},{answer.y:.3f}"
        if face is None:
            told.append(f"{answer.name}, named by you at {place}: no face is found there now.")
        elif face.name is not None and face.name != answer.name:
            told.append(
                f"You named {answer.name} at {place}, but a face region names {face.name} there: that name counts."
            )
    return tuple(told)


def shifted(frame: Frame, shifts_s: Mapping[str, float]) -> Frame:
    """The frame with its body's clock corrected by so many seconds."""
    shift_s, time_s = shifts_s.get(frame.capture.body, 0.0), frame.capture.time_s
    if not shift_s or time_s is None:
        return frame
    return replace(frame, capture=replace(frame.capture, time_s=time_s + shift_s))
