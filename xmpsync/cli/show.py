"""What several commands show a person: figures, worklists, lists of frames. Decides nothing."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from xmpsync.cli.talk import say
from xmpsync.shoot.phrases import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from xmpsync.errors import LeftAlone, Trouble
    from xmpsync.shoot.check import Figures, Share
    from xmpsync.shoot.overnight import MeasuredShoot
    from xmpsync.solve.solution import Finding, FrameResult

RIGHT = frozenset(
    {"temperature", "tint", "exposure", "colour", "level", "frames", "people", "files", "light", "by hand"}
)
"""Columns of numbers."""
MOST_GROUPS = 8
"""Lines about other settings; a shoot developed frame by frame would fill the screen."""
MOST_TROUBLES = 10
"""Frames that failed, each with its reason; a broken card would fill the screen."""
SHOWN_FRAMES = 6
"""Names in a list of frames."""
UNITS = "Colour: dE00, 1 is just visible side by side. Level: EV."


def listed(names: Sequence[str], shown: int = SHOWN_FRAMES) -> str:
    """The first names, and how many more there are."""
    more = f" and {len(names) - shown} more" if len(names) > shown else ""
    return ", ".join(names[:shown]) + more


def spread(value: Figures) -> str:
    """How far skin is off: the middle face, 19 of 20 faces, and how many match."""
    return (
        f"skin {value.de00_median:.1f} dE00, {value.ev_median:.2f} EV off (19 in 20: {value.de00_p95:.1f}, "
        f"{value.ev_p95:.2f}); {value.n_within} of {counted(value.n_faces, 'face')} match."
    )


def show_share(share: Share, people: str) -> None:
    """How many faces were judged, and what helps where people are unknown. `people`: the command that names them."""
    from xmpsync.solve.solution import Unjudged

    say(share.sentence)
    if share.reasons.get(Unjudged.UNKNOWN_PERSON.value):
        say(f"To name unknown people: {people}")


def show_looks(frames: Sequence[FrameResult]) -> None:
    """Frames whose other settings differ from their reference's, grouped; nothing where all are alike."""
    from xmpsync.shoot.look_findings import look_groups

    groups = look_groups(frames)
    for group in groups[:MOST_GROUPS]:
        n = len(group.frame_ids)
        differ = "differs" if n == 1 else "differ"
        more = ", ..." if n > 1 else ""
        words = ", ".join(group.words)
        say(f"{counted(n, 'frame')} {differ} from the reference in {words} ({group.frame_ids[0]}{more})")
    if len(groups) > MOST_GROUPS:
        n = sum(len(group.frame_ids) for group in groups[MOST_GROUPS:])
        say(f"{n} more differ in other settings: --json lists them all.")


def show_worklist(
    frames: Sequence[tuple[str, Sequence[Finding]]], *, differences: bool = False, advice: bool = True
) -> None:
    """What needs handwork, by kind: with advice, and with each face's own difference where asked for."""
    from xmpsync.shoot.look_findings import LOOK_CODES
    from xmpsync.solve.solution import NEEDS_HANDWORK, Code

    work: dict[str, list[tuple[str, Finding]]] = {}
    for frame, findings in frames:
        for finding in findings:
            if finding.code in NEEDS_HANDWORK:
                work.setdefault(finding.code.value, []).append((frame, finding))
    told = {*NEEDS_HANDWORK, *LOOK_CODES, Code.UNKNOWN_PERSON}
    rest = Counter(f.code.value for _, findings in frames for f in findings if f.code not in told)
    if rest and advice:
        say("Noted: " + ", ".join(f"{code.replace('-', ' ')} {n}" for code, n in sorted(rest.items())) + ".")
    if not work:
        say("Nothing needs handwork.")
        return
    say("Needs handwork:", style="bold")
    for code, items in sorted(work.items()):
        kind = code.replace("-", " ").capitalize()
        names = listed([frame for frame, _ in items])
        say(f"  {kind}, {counted(len(items), 'frame')}: {names}." + (f" {items[0][1].advice}" if advice else ""))
        for frame, finding in items if differences else ():
            for d in finding.local:
                who = d.person or d.face_id
                say(f"      {frame}, {who}: {d.d_exposure_ev:+.2f} EV, {d.d_mired:+.0f} mired, {d.d_tint:+.0f} tint")


def show_left_out(left_out: Sequence[LeftAlone]) -> None:
    """Frames left out on purpose, counted by reason."""
    for reason, n in sorted(Counter(item.reason for item in left_out).items()):
        say(f"Left out: {n} ({reason}).")


def show_troubles(troubles: Sequence[Trouble]) -> None:
    """Frames that failed."""
    for trouble in troubles[:MOST_TROUBLES]:
        say(f"Failed: {trouble.sentence}", style="red")
    if len(troubles) > MOST_TROUBLES:
        say(f"Failed: {len(troubles) - MOST_TROUBLES} more; --json lists them all.", style="red")


def show_measured(found: MeasuredShoot) -> None:
    """What a measuring run did."""
    n = len(found.measured.frames)
    n_faces = sum(len(m.faces) for m in found.measured.frames.values())
    n_skin = sum(1 for m in found.measured.frames.values() for face in m.faces if face.skin)
    say(
        f"{counted(n, 'frame')} measured ({found.measured.n_from_store} of them before), {counted(n_faces, 'face')}, "
        f"{n_skin} with skin."
    )
    for line in found.scales.sentences():
        say(line)
    show_left_out(found.left_out)
    show_troubles(found.troubles)
