"""Findings: what a person should know about a frame, each with advice and the local difference of every face."""

from __future__ import annotations

from math import isfinite

from xmpsync.colour.arrays import FloatArray
from xmpsync.skin.records import Unusable
from xmpsync.solve.problem import Frame
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.solution import Code, Finding, LocalDifference


def local_differences(
    face_ids: list[str], persons: list[str | None], wanted: FloatArray, written: FloatArray
) -> tuple[LocalDifference, ...]:
    """What each face still needs beyond the frame's correction; faces without an own answer are left out."""
    return tuple(
        LocalDifference(face_id, person, round(ev, 3), round(mired, 2), round(tint, 2))
        for face_id, person, (mired, tint, ev) in zip(face_ids, persons, (wanted - written).tolist(), strict=True)
        if isfinite(mired + tint + ev)
    )


def left_alone(lost: bool, unlinked: bool, nobody: bool, *, nudged: bool = False) -> Finding:
    """The finding of a frame for which nothing was found: it keeps what it has, but for a nudge by hand."""
    then = "only what you nudged is added" if nudged else "the frame is left as it is"
    if lost:
        return Finding(
            Code.BEYOND_WHITE_BALANCE,
            f"The light is so coloured that no white balance brings the skin back: {then}.",
        )
    if nobody:
        return Finding(
            Code.UNKNOWN_PERSON,
            f"Nobody in its light is told apart from others, so what their skin should look like is open: {then}. "
            "A name would settle it.",
        )
    if unlinked:
        return unlinked_to(then)
    return Finding(Code.NO_FACE, f"Its light shows no usable skin and holds no reference: {then}.")


def unlinked_to(then: str) -> Finding:
    """The finding of a frame whose people nothing ties to a reference; `then`: what the frame does."""
    return Finding(
        Code.UNLINKED_PERSON,
        f"No chain of lights links these people to a reference: {then}. A reference of their own would help.",
    )


def unknown(count: int) -> Finding:
    """The finding of a frame with faces that belong to nobody with certainty."""
    what = "A face is" if count == 1 else f"{count} faces are"
    return Finding(
        Code.UNKNOWN_PERSON, f"{what} not told apart with certainty and judged against nobody: a name would settle it."
    )


def no_answer(frame: Frame) -> list[Finding]:
    """Findings of a frame that has no usable face and follows its light."""
    found = []
    why = {face.unusable for face in frame.faces if face.skin is None}
    if Unusable.CLIPPED in why:
        found.append(Finding(
            Code.CLIPPED_SKIN, "The skin is clipped in the RAW and gives no colour: the frame follows its light.",
        ))  # fmt: skip
    if why & {Unusable.FEW_PIXELS, Unusable.NO_SKIN, Unusable.TOO_DARK}:
        found.append(
            Finding(Code.FEW_PIXELS, "The faces hold too little clean skin to measure: the frame follows its light.")
        )
    if not found:
        what = "No face was found"
        if Unusable.PERHAPS_NO_FACE in why:
            what = "What was found may be no face, and nobody like it was seen; a name or a mark would make it count"
        found.append(Finding(Code.NO_FACE, f"{what}: the frame follows its light."))
    return found


def with_answer(
    frame: Frame,
    sd: tuple[float, float],
    faces_apart: bool,
    sides_apart: bool,
    local: tuple[LocalDifference, ...],
    s: SolveSettings,
) -> list[Finding]:
    """Findings of a frame whose faces were used. `sd`: z-chroma sd, and level sd of the skin after correction."""
    found = []
    if faces_apart or sides_apart:
        what = "Its faces want different corrections" if faces_apart else "A face is lit by two lights"
        found.append(
            Finding(
                Code.MIXED_LIGHT,
                f"{what}: the correction is a compromise, finish each face by hand with its own difference.",
                local,
            )
        )
    partly = {face.unusable for face in frame.faces if face.skin is None}
    if Unusable.CLIPPED in partly:
        found.append(Finding(Code.CLIPPED_SKIN, "The skin of a face is clipped in the RAW; the other faces decided."))
    cells = max((face.skin.n_cells for face in frame.faces if face.skin), default=0)
    if cells < s.few_cells:
        found.append(Finding(Code.FEW_PIXELS, f"Only {cells} cells of skin: look at this frame."))
    if sd[0] > s.uncertain_z or sd[1] > s.uncertain_ev:
        found.append(Finding(Code.UNCERTAIN, "The skin says little here, so the frame leans on its light: look at it."))
    return found
