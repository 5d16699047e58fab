"""The screen of `check`: how far skin is off, which frames, and the verdict with what to do about it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from xmpsync.cli.show import (
    RIGHT,
    UNITS,
    listed,
    show_left_out,
    show_looks,
    show_share,
    show_troubles,
    spread,
)
from xmpsync.cli.talk import put_table, say

if TYPE_CHECKING:
    from xmpsync.shoot.check import Checked
    from xmpsync.solve.solution import FaceResult

VERDICTS = {
    "matches": "It matches.",
    "off": "It does not match: fewer than 19 of 20 faces are within tolerance.",
    "not-sure": "Not sure: fewer than 8 of 10 faces with skin could be judged.",
}


def show_check(found: Checked, *, frames_table: bool = False) -> None:
    """The verdict and the frames that are off; on request every face, and where each camera's colour comes from."""
    from xmpsync.shoot.words import command

    if frames_table:
        _show_faces(found)
        for line in (*found.ready.scales.sentences(), *found.ready.clock_notes):
            say(line)
    for note in found.ready.stand.notes():
        say(note)
    show_looks(found.solution.frames)
    if found.figures.de00_median is None:
        say("No face could be judged.")
    else:
        say(f"Now: {spread(found.figures)}")
        say(UNITS)
    _show_off(found)
    show_share(found.share, command("people", found.ready.root))
    say(VERDICTS[found.verdict.value], style="bold")
    show_left_out(found.ready.left_out)
    show_troubles(found.ready.troubles)


def _show_faces(found: Checked) -> None:
    rows = [
        (
            frame.frame_id,
            face.person or "?",
            f"{face.delta_e00_before:.2f}",
            f"{face.level_ev_before:+.2f}",
            ("" if found.inside(face) else "off") if face.judged else "not judged",
        )
        for frame in found.solution.frames
        for face in frame.faces
        if face.delta_e00_before is not None and face.level_ev_before is not None
    ]
    put_table(("frame", "person", "colour", "level", "verdict"), rows, right=RIGHT, names=("frame", "person"))


def _show_off(found: Checked) -> None:
    """The frames with a judged face that is off, the worst first."""
    from xmpsync.shoot.words import counted

    def worst(faces: list[FaceResult]) -> float:
        return max(face.delta_e00_before or 0.0 for face in faces)

    off = {
        frame.frame_id: faces
        for frame in found.solution.frames
        if (faces := [f for f in frame.faces if f.judged and f.delta_e00_before is not None and not found.inside(f)])
    }
    if off:
        names = sorted(off, key=lambda name: (-worst(off[name]), name))
        n_faces = sum(len(faces) for faces in off.values())
        order = ", the worst first" if len(off) > 1 else ""
        say(
            f"Off: {counted(n_faces, 'face')} in {counted(len(off), 'frame')}{order}: {listed(names)}. "
            "Every face: --frames-table."
        )
