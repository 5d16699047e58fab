"""Frames whose other develop settings differ from their reference's: findings beside the solver's, and their groups."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from xmpsync.plan.standing import Standing
from xmpsync.solve.problem import Reference, Request
from xmpsync.solve.solution import Code, Finding, FrameResult, Solution
from xmpsync.xmp.looks import PLAIN, Look, LookDifference, difference, word_of

LOOK_CODES = (Code.LOOK_DIFFERS, Code.LOCAL_CORRECTIONS, Code.MONOCHROME, Code.OTHER_CAMERA)
"""The findings made here, in the order in which they are shown."""


@dataclass(frozen=True, slots=True)
class LookGroup:
    """Frames that differ from their reference in the same properties: `words` name what these do, each once."""

    code: Code
    properties: tuple[str, ...]
    words: tuple[str, ...]
    frame_ids: tuple[str, ...]

    def sentence(self, n_named: int = 3) -> str:
        """For the summary: `41 frames: contrast, dehaze (K1_0412, K1_0413, K1_0414, ...)`."""
        n = len(self.frame_ids)
        shown = ", ".join(self.frame_ids[:n_named]) + (", ..." if n > n_named else "")
        return f"{n} {'frame' if n == 1 else 'frames'}: {', '.join(self.words)} ({shown})"


def with_looks(solution: Solution, request: Request, stand: Mapping[str, Standing]) -> Solution:
    """The solution with findings on frames whose other settings differ from those of their reference's sidecar.

    A frame is compared with the reference frames of the persons in it; one that shows no known person with all of
    them. Where several references differ among themselves, a frame has a finding in any case. CIELAB numbers as
    reference have no sidecar, and nothing is compared with them.
    """
    persons = {frame.frame_id: {face.person for face in frame.faces if face.person} for frame in solution.frames}
    compared: dict[tuple[str, str], LookDifference] = {}
    frames = []
    for result in solution.frames:
        frame_id = result.frame_id
        found: list[tuple[str, LookDifference]] = []
        for reference in _references(persons, frame_id, request.references):
            pair = frame_id, reference
            if pair not in compared:
                compared[pair] = difference(_look(stand.get(frame_id)), _look(stand.get(reference)))
            if compared[pair]:
                found.append((reference, compared[pair]))
        findings = [*_findings(found), *_other_camera(stand.get(frame_id))]
        frames.append(replace(result, findings=(*result.findings, *findings)) if findings else result)
    return replace(solution, frames=tuple(frames))


def look_groups(frames: Iterable[FrameResult]) -> tuple[LookGroup, ...]:
    """The findings made here, frames with the same code and properties together, the largest group of a code first."""
    groups: dict[tuple[Code, tuple[str, ...]], list[str]] = {}
    for frame in frames:
        for finding in frame.findings:
            if finding.code in LOOK_CODES:
                groups.setdefault((finding.code, finding.properties), []).append(frame.frame_id)
    ordered = sorted(groups.items(), key=lambda item: (LOOK_CODES.index(item[0][0]), -len(item[1]), item[0][1]))
    return tuple(
        LookGroup(code, properties, _words(code, properties), tuple(ids)) for (code, properties), ids in ordered
    )


def _references(persons: Mapping[str, set[str]], frame_id: str, references: Iterable[Reference]) -> list[str]:
    """The reference frames that a frame's skin is to look like, in the order given."""
    everything = [reference for reference in references if reference.frame_id is not None]
    seen = persons.get(frame_id, set())
    own = []
    for reference in everything:
        assert reference.frame_id is not None
        served = {reference.person} if reference.person else persons.get(reference.frame_id, set())
        if seen & served:
            own.append(reference.frame_id)
    return list(dict.fromkeys(own or [reference.frame_id for reference in everything if reference.frame_id]))


def _look(standing: Standing | None) -> Look:
    return PLAIN if standing is None or standing.settings is None else standing.settings.look


def _findings(found: list[tuple[str, LookDifference]]) -> list[Finding]:
    """What a frame's differences from its references amount to, each property once."""
    if not found:
        return []
    names = ", ".join(reference for reference, _ in found)
    properties = _crs(local for _, each in found for local in each.properties)
    local = _crs(name for _, each in found for name in each.local)
    findings = []
    if properties:
        words = ", ".join(_words(Code.LOOK_DIFFERS, properties))
        advice = (
            f"Differs from the reference {names} in {words} ({', '.join(properties)}), which moves skin too: give both"
            " the same settings, or judge this frame by eye."
        )
        findings.append(Finding(Code.LOOK_DIFFERS, advice, properties=properties))
    if local:
        advice = (
            f"Local corrections of exposure, temperature or tint differ from those of the reference {names}"
            f" ({', '.join(local)}): they come on top of the frame's numbers."
        )
        findings.append(Finding(Code.LOCAL_CORRECTIONS, advice, properties=local))
    if any(each.monochrome for _, each in found):
        advice = (
            f"Black and white, which the reference {names} is not: a new white balance changes its grey tones, not"
            " its colours."
        )
        findings.append(Finding(Code.MONOCHROME, advice, properties=("crs:ConvertToGrayscale",)))
    return findings


def _other_camera(standing: Standing | None) -> list[Finding]:
    """The sidecar's model against the RAW's."""
    if standing is None or standing.settings is None or standing.source.sidecar is None:
        return []
    named = standing.settings.camera_model or ""
    header = standing.measurement.capture
    ours = [_letters(text) for text in (header.model, f"{header.make} {header.model}") if text]
    theirs = _letters(named)
    if not theirs or not ours or any(theirs in name or name in theirs for name in ours):
        return []
    advice = (
        f"The sidecar was made for another camera model ({named[:60]}) than the RAW's ({header.model}): check that it"
        " belongs to this frame."
    )
    return [Finding(Code.OTHER_CAMERA, advice, properties=("tiff:Model",))]


def _letters(text: str) -> str:
    return re.sub(r"[^a-z0-9]", "", text.casefold())


def _crs(locals_: Iterable[str]) -> tuple[str, ...]:
    return tuple(f"crs:{local}" for local in dict.fromkeys(locals_))


def _words(code: Code, properties: tuple[str, ...]) -> tuple[str, ...]:
    if code is Code.LOCAL_CORRECTIONS:
        return ("local corrections",)
    if code is Code.MONOCHROME:
        return ("black and white",)
    if code is Code.OTHER_CAMERA:
        return ("a sidecar of another camera model",)
    return tuple(dict.fromkeys(word_of(name.removeprefix("crs:")) for name in properties))
