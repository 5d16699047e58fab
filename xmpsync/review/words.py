"""What the page says, in sentences: what was off, what was done, which frames need a hand. Units stay with numbers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import PurePosixPath

from xmpsync.records import Develop
from xmpsync.shoot.check import SHARE_WANTED, figures, share_judged
from xmpsync.shoot.correct import Correction
from xmpsync.solve.problem import Frame
from xmpsync.solve.solution import Code, LocalDifference, Unjudged

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


def minus(text: str) -> str:
    """Signs as they are printed."""
    return text.replace("-", "−")


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
    """How many people and frames, and how it stands with them."""
    people = len(correction.proposal.solution.persons)
    what = f"{count(people, 'person', 'people')}, {count(len(correction.proposal.rows), 'frame').lower()}"
    if not correction.ready.options.references:
        return f"{what}: choose a skin that is right." if people else f"{what}: no skin was found."
    share = share_judged(correction.ready, correction.proposal.solution)
    after = figures(correction.proposal.solution, correction.ready.options, after=True)
    if not share.enough:
        return f"{what}: not sure of {share.n_skin - share.n_judged} of {share.n_skin} faces."
    if after.n_within < SHARE_WANTED * after.n_faces:
        return f"{what}: {after.n_faces - after.n_within} of {after.n_faces} faces still off."
    return f"{what}, one skin each."


def sentences(correction: Correction, by_hand: Sequence[Sequence[str]]) -> list[dict[str, str]]:
    """What was off, what was done, which frames need a hand (`by_hand`: why, for each), and who is not known.

    Each with what it is `about`, the sentence, and the part of the page (`to`) that it speaks of.
    """
    proposal, options = correction.proposal, correction.ready.options
    if not proposal.solution.persons and not options.references:
        return [_said("Before", "No face with skin was found in these frames, so there is nothing to match.", "")]
    if not options.references:
        told = (
            "Nothing is changed yet. Choose a face, or a whole frame, whose skin looks as you want it: every other "
            "frame of these people is then brought to it, each person to their own."
        )
        return [_said("To begin", told, "")]
    before = figures(proposal.solution, options, after=False)
    after = figures(proposal.solution, options, after=True)
    n_changed = sum(1 for row in proposal.rows if row.after is not None)
    if before.de00_median is None or after.de00_median is None or before.ev_median is None:
        said = [_said("Before", "No face could be judged: there is no skin that a reference speaks for.", "")]
    else:
        n_off = before.n_faces - before.n_within
        how = f"{_stops(before.ev_median)} too dark or too bright" if before.ev_median >= EV_STEP else "of good level"
        enough = share_judged(correction.ready, proposal.solution).enough
        whole = "faces" if enough else "faces that could be judged"
        said = [
            _said(
                "Before",
                f"{_of(n_off, before.n_faces).capitalize()} {whole} did not match the look you chose. The middle one "
                f"was {how}, its colour {_colour_words(before.de00_median)}.",
                "ribbon",
            ),
            _said(
                "Now",
                f"{_of(n_changed, len(proposal.rows)).capitalize()} frames get a new temperature, tint and exposure. "
                f"{_of(after.n_within, after.n_faces).capitalize()} {whole} are then within "
                f"{options.tolerance_de00:g} ΔE and {options.tolerance_ev:g} EV of their own reference.",
                "series",
            ),
        ]
    if by_hand:
        n = count(len(by_hand), "frame needs", "frames need")
        reasons = Counter(reason for found in by_hand for reason in set(found))
        why = ", ".join(f"{reason} ({k})" for reason, k in reasons.most_common(3))
        said.append(
            _said("By hand", f"{n} you, because one setting for a whole frame does not settle it: {why}.", "hand")
        )
    else:
        said.append(_said("By hand", "No frame needs a hand.", ""))
    return said + _not_known(correction)


def numbers(correction: Correction) -> list[str]:
    """The figures behind the sentences, and the faces that no figure counts."""
    proposal, options = correction.proposal, correction.ready.options
    said = []
    for when, after in (("Before", False), ("Now", True)):
        value = figures(proposal.solution, options, after=after)
        if value.de00_median is None or value.ev_median is None:
            continue
        said.append(
            f"{when}: {value.n_within} of {value.n_faces} judged faces within tolerance; half are closer than "
            f"{value.de00_median:.1f} ΔE and {value.ev_median:.2f} EV, 19 of 20 closer than {value.de00_p95:.1f} ΔE "
            f"and {value.ev_p95:.2f} EV."
        )
    if said:
        share = share_judged(correction.ready, proposal.solution)
        said.append(f"{share.n_judged} of {share.n_skin} faces with skin could be judged.")
    faces = [face for row in proposal.rows for face in row.result.faces]
    others = Counter(f.unjudged for f in faces if f.unjudged is not None)
    if others and options.references:
        reasons = "; ".join(f"{n} ({WHY_UNJUDGED[why]})" for why, n in sorted(others.items()))
        said.append(f"Faces that do not count: {reasons}.")
    return said


def _said(about: str, text: str, to: str) -> dict[str, str]:
    return {"about": about, "text": text, "to": to}


def _not_known(correction: Correction) -> list[dict[str, str]]:
    """How many faces are not known, and what a name does."""
    faces = [face for row in correction.proposal.rows for face in row.result.faces]
    unknown = sum(1 for face in faces if face.person is None and face.unjudged is Unjudged.UNKNOWN_PERSON)
    if not unknown:
        return []
    what = count(unknown, "face is", "faces are")
    told = (
        f"{what} not known for certain, so nobody judges them: their frames follow their light and the faces beside "
        "them. One name may settle others like it."
    )
    return [_said("To answer", told, "ask")]


def _colour_words(de00: float) -> str:
    """How large a colour difference looks (common practice: 1 is just visible side by side, a trained eye sees 2)."""
    for bound, word in ((1.0, "hardly different"), (2.0, "just visibly off"), (4.0, "visibly off")):
        if de00 < bound:
            return f"{word} ({de00:.1f} ΔE)"
    return f"plainly off ({de00:.1f} ΔE; a trained eye sees 2)"


def _of(part: int, whole: int) -> str:
    return f"all {whole}" if part == whole and whole > 1 else f"{part} of {whole}"


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


def light_name(number: int, frames: Sequence[Frame], settings: Sequence[Develop]) -> str:
    """A light in words: its number, its time, and its white where one is known."""
    times = sorted(f.capture.time_s for f in frames if f.capture.time_s is not None)
    name = f"Light {number}"
    if times:
        first, last = (datetime.fromtimestamp(t, UTC).strftime("%H:%M") for t in (times[0], times[-1]))
        name += f", {first}" if first == last else f", {first}–{last}"
    if settings:
        kelvin = sorted(s.temperature_k for s in settings)[len(settings) // 2]
        name += f", about {round(kelvin, -2):,.0f} K"
    if frames and all(f.capture.flash_fired for f in frames):
        name += ", flash"
    return name
