"""What the page says, in sentences: what was off, what was done, which frames need a hand. Units stay with numbers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import PurePosixPath

from xmpsync.records import Settings3
from xmpsync.shoot.check import figures
from xmpsync.shoot.correct import Correction
from xmpsync.solve.problem import Frame
from xmpsync.solve.solution import Code, Group, LocalDifference, Unjudged

_SMALL = ("No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten", "Eleven", "Twelve")

MIRED_STEP = 5.0
"""Mired below which a difference of white is not worth a word: about what a trained eye sees side by side."""
TINT_STEP = 3.0
"""The same for tint."""
EV_STEP = 0.1
"""The same for exposure, in EV."""

WHY_UNJUDGED = {
    Unjudged.UNKNOWN_PERSON: "not known who this is",
    Unjudged.NO_REFERENCE: "no reference for this person",
    Unjudged.MIXED_LIGHT: "two lights",
    Unjudged.CLIPPED_SKIN: "a channel is clipped over most of the skin",
    Unjudged.HELD: "the frame is held as it is",
    Unjudged.LEFT_ALONE: "the frame is left alone",
}

FINDING = {
    Code.UNLINKED_PERSON: "person without a link to a reference",
    Code.BEYOND_WHITE_BALANCE: "beyond white balance",
}


def shown(text: str) -> str:
    """A name that may hold undecodable bytes, as text that a page takes."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def stem(frame_id: str) -> str:
    """The name of a frame as a person calls it."""
    return shown(PurePosixPath(frame_id).stem)


def finding_name(code: Code) -> str:
    """A finding's code in words."""
    return FINDING.get(code, code.value.replace("-", " "))


def count(n: int, one: str, many: str = "") -> str:
    """`Three faces`, `1 frame`: small numbers as words, at the start of a sentence."""
    number = _SMALL[n] if n < len(_SMALL) else f"{n:,}"
    return f"{number} {one if n == 1 else many or one + 's'}"


def headline(correction: Correction) -> str:
    """How many people and frames."""
    people = len(correction.proposal.solution.persons)
    return f"{count(people, 'person', 'people')}, {count(len(correction.proposal.rows), 'frame').lower()}."


def sentences(correction: Correction, n_by_hand: int) -> list[str]:
    """Three sentences: what was off, what was done, which frames need a hand; more where faces are unknown."""
    proposal, options = correction.proposal, correction.ready.options
    before = figures(proposal.solution, options, after=False)
    after = figures(proposal.solution, options, after=True)
    tolerance = f"{options.tolerance_de00:g} ΔE or {options.tolerance_ev:g} EV"
    n_changed = sum(1 for row in proposal.rows if row.after is not None)
    if before.de00_median is None or after.de00_median is None:
        said = ["No face could be judged: there is no skin that a reference speaks for."]
    else:
        said = [
            f"Before, {before.n_faces - before.n_within} of {before.n_faces} faces were off their reference by more "
            f"than {tolerance}; one in two by {before.de00_median:.1f} ΔE in colour and {before.ev_median:.2f} EV in "
            "level, or more.",
            f"With new temperature, tint and exposure in {n_changed} of {len(proposal.rows)} frames, "
            f"{after.n_within} of {after.n_faces} match; one in two is within {after.de00_median:.1f} ΔE and "
            f"{after.ev_median:.2f} EV.",
        ]
    if n_by_hand:
        n = count(n_by_hand, "frame needs", "frames need")
        said.append(f"{n} a hand: global settings alone do not settle {'it' if n_by_hand == 1 else 'them'}.")
    else:
        said.append("No frame needs a hand.")
    faces = [face for row in proposal.rows for face in row.result.faces]
    unknown = sum(1 for face in faces if face.person is None and face.unjudged is Unjudged.UNKNOWN_PERSON)
    if unknown:
        said.append(f"{count(unknown, 'face is', 'faces are')} known to nobody and judged against nobody.")
    others = Counter(f.unjudged for f in faces if f.unjudged not in (None, Unjudged.UNKNOWN_PERSON))
    if others:
        reasons = "; ".join(f"{n} ({WHY_UNJUDGED[why]})" for why, n in sorted(others.items()) if why is not None)
        said.append(f"Faces not counted in this: {reasons}.")
    return said


def local_words(difference: LocalDifference) -> str:
    """What one face still needs, in words: `half a stop brighter, 56 mired warmer`."""
    parts = []
    ev, mired, tint = difference.d_exposure_ev, difference.d_mired, difference.d_tint
    if abs(ev) >= EV_STEP:
        parts.append(f"{_stops(abs(ev))} {'brighter' if ev > 0 else 'darker'}")
    if abs(mired) >= MIRED_STEP:
        # a lower temperature setting (more mired) renders cooler
        parts.append(f"{abs(mired):.0f} mired {'cooler' if mired > 0 else 'warmer'}")
    if abs(tint) >= TINT_STEP:
        parts.append(f"{abs(tint):.0f} of tint {'more magenta' if tint > 0 else 'greener'}")
    return ", ".join(parts) or "next to nothing"


def _stops(ev: float) -> str:
    thirds = round(ev * 3)
    whole, rest = divmod(thirds, 3)
    part = {0: "", 1: "a third of a stop", 2: "two thirds of a stop"}[rest]
    if abs(ev - 0.5) < 0.1:
        return "half a stop"
    if whole == 0:
        return part or f"{ev:.1f} EV"
    number = "one stop" if whole == 1 else f"{whole} stops"
    return f"{number} and {part.replace(' of a stop', '')}" if part else number


def light_name(group: Group, frames: Sequence[Frame], settings: Sequence[Settings3]) -> str:
    """A light in words: its number, its time, and its white where one is known."""
    times = sorted(f.capture.time_s for f in frames if f.capture.time_s is not None)
    name = f"Light {group.index + 1}"
    if times:
        first, last = (datetime.fromtimestamp(t, UTC).strftime("%H:%M") for t in (times[0], times[-1]))
        name += f", {first}" if first == last else f", {first}–{last}"
    if settings:
        kelvin = sorted(s.temperature_k for s in settings)[len(settings) // 2]
        name += f", about {round(kelvin, -2):,.0f} K"
    if frames and all(f.capture.flash_fired for f in frames):
        name += ", flash"
    return name
