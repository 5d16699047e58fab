"""`xmpsync check`: how well the skin matches as the sidecars stand now, which frames are off, and the verdict."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from xmpsync.cli.option_groups import JSON, SHOOT, machine_options, selection_options, solve_options
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
from xmpsync.cli.talk import ProgressLine, put_json, put_table, say
from xmpsync.shoot.phrases import command, counted

if TYPE_CHECKING:
    from xmpsync.shoot.check import Checked
    from xmpsync.solve.solution import FaceResult

VERDICTS = {
    "matches": "It matches.",
    "off": "It does not match: fewer than 19 of 20 faces are within tolerance.",
    "not-sure": "Not sure: fewer than 8 of 10 faces with skin could be judged.",
}


@click.command(short_help="Show how well the skin matches as the sidecars stand now.")
@SHOOT
@solve_options
@selection_options
@machine_options
@click.option("--frames-table", is_flag=True, help="Show every face, and where each camera's colour comes from.")
@JSON
def check(shoot: Path, frames_table: bool, as_json: bool, **values: Any) -> None:
    """Measure how far the skin of every frame is from the reference, as the sidecars stand now.

    Exits 0 when at least 95 % of the judged faces are within the tolerance, 1 otherwise. Writes nothing into the
    shoot. Without options the references of the newest run are used.
    """
    from xmpsync.cli.option_groups import machine_from, options_from
    from xmpsync.cli.show_people import references_instead
    from xmpsync.shoot.check import check_shoot
    from xmpsync.shoot.documents import check_document

    with ProgressLine() as progress:
        options, machine = options_from(values, shoot), machine_from(values)
        with references_instead(shoot, options, machine, progress, shown=not as_json):
            found = check_shoot(shoot, options, machine, progress)
    if as_json:
        put_json(check_document(found))
    show_check(found, frames_table=frames_table and not as_json)
    raise click.exceptions.Exit(0 if found.passed and not found.ready.troubles else 1)


def show_check(found: Checked, *, frames_table: bool = False) -> None:
    """The verdict and the frames that are off; on request every face, and where each camera's colour comes from."""
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
