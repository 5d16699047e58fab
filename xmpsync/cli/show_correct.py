"""The screens of `correct`: the lights first, the summary, on request every frame and every changed line."""

from __future__ import annotations

from typing import TYPE_CHECKING

from xmpsync.cli.show import (
    RIGHT,
    UNITS,
    show_left_out,
    show_looks,
    show_share,
    show_troubles,
    show_worklist,
    spread,
)
from xmpsync.cli.talk import put, put_table, say
from xmpsync.shoot.phrases import command, counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from xmpsync.plan.propose import Row
    from xmpsync.records import Develop
    from xmpsync.shoot.correct import Correction, PlannedCorrection
    from xmpsync.solve.solution import FrameResult
    from xmpsync.write.outcome import RunOutcome

LOAD_AGAIN = "If your editor keeps a database of its own, let it load the sidecars again now."
JUDGE = "Judge the colour in your editor, on a calibrated display."
MOST_LIGHTS = 9
"""Lines for lights on the first screen: with the summary it stays well below 40 lines of 80 columns."""
YIELDING = ("findings", "by", "light", "level", "colour")
"""Columns of the frame table that give way in a narrow window; the new values never do."""


def show_lights(found: Correction, *, data: bool) -> None:
    """The screen to see first: a line for each light; where there are many, the small ones are one line."""
    columns, rows = lights(found.proposal.rows)
    shown, rest = _largest(rows)
    put_table(columns, shown, right=RIGHT, names=("from",), yielding=("from",), data=data)
    if rest:
        n_frames = sum(int(row[2]) for row in rest)
        say(f"... and {counted(len(rest), 'smaller light')} with {counted(n_frames, 'frame')}: --lights shows each.")


def show_all_lights(found: Correction, *, data: bool) -> None:
    """A line for each light, however many."""
    columns, rows = lights(found.proposal.rows)
    put_table(columns, rows, right=RIGHT, names=("from",), yielding=("from",), data=data)


def _largest(rows: list[tuple[str, ...]]) -> tuple[list[tuple[str, ...]], list[tuple[str, ...]]]:
    """The lights to show, in order, and the others: those that need a hand come first, then those of most frames."""
    if len(rows) <= MOST_LIGHTS:
        return rows, []
    by_weight = sorted(rows, key=lambda row: (row[6] == "", -int(row[2])))
    chosen = {row[0] for row in by_weight[: MOST_LIGHTS - 1]}
    return [row for row in rows if row[0] in chosen], [row for row in rows if row[0] not in chosen]


def lights(rows: Sequence[Row]) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Columns and rows of the table of lights: frames, people, how far off before and after, what needs a hand."""
    from statistics import median

    from xmpsync.solve.solution import NEEDS_HANDWORK, Basis

    by_group: dict[int, list[Row]] = {}
    for row in rows:
        by_group.setdefault(row.result.group, []).append(row)
    table: list[tuple[str, ...]] = []
    for group, members in sorted(by_group.items()):
        faces = [f for row in members if row.result.basis is not Basis.REFERENCE for f in row.result.faces if f.judged]
        faces = [f for f in faces if f.delta_e00_before is not None and f.delta_e00_after is not None]
        people = {f.person for row in members for f in row.result.faces if f.person}
        work = sum(any(f.code in NEEDS_HANDWORK for f in row.result.findings) for row in members)
        colour = level = ""
        if faces:
            colour = (
                f"{median(f.delta_e00_before or 0.0 for f in faces):.1f} > "
                f"{median(f.delta_e00_after or 0.0 for f in faces):.1f}"
            )
            level = (
                f"{median(abs(f.level_ev_before or 0.0) for f in faces):.2f} > "
                f"{median(abs(f.level_ev_after or 0.0) for f in faces):.2f}"
            )
        table.append(
            (
                str(group + 1),
                members[0].frame_id,
                str(len(members)),
                str(len(people)),
                colour,
                level,
                str(work) if work else "",
            )
        )
    return ("light", "from", "frames", "people", "colour", "level", "by hand"), table


def show_proposal(found: Correction, *, data: bool) -> None:
    """The values of every frame: on stdout, or as talk where the question follows."""
    columns, rows = frame_table(found.proposal.rows)
    put_table(columns, rows, right=RIGHT, names=("frame",), yielding=YIELDING, data=data)


def frame_table(rows: Sequence[Row]) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Columns and rows of the frame table."""
    columns = ("frame", "light", "by", "temperature", "tint", "exposure", "colour", "level", "findings")
    return columns, [_row(row) for row in rows]


def _row(row: Row) -> tuple[str, ...]:
    values = [_change(old, new) for old, new in zip(_texts(row.before), _texts(row.after or row.before), strict=True)]
    colour, level = _faces(row.result)
    findings = ", ".join(f.code.value.replace("-", " ") for f in row.result.findings)
    return (row.frame_id, str(row.result.group + 1), row.result.basis.value, *values, colour, level, findings)


def _texts(values: Develop) -> tuple[str, str, str]:
    white = ("as shot", "") if values.as_shot else (f"{values.temperature_k:.0f}", f"{values.tint:+.0f}")
    return (*white, f"{values.exposure_ev:+.2f}")


def _change(before: str, after: str) -> str:
    return after if before == after else f"{before} > {after}".strip(" >") if before else after


def _faces(result: FrameResult) -> tuple[str, str]:
    """The worst judged face of a frame: colour and level, before > after."""
    faces = [f for f in result.faces if f.delta_e00_before is not None and f.delta_e00_after is not None]
    if not faces:
        return "", ""
    worst = max(faces, key=lambda f: f.delta_e00_after or 0.0)
    colour = f"{worst.delta_e00_before:.1f} > {worst.delta_e00_after:.1f}"
    return colour, f"{worst.level_ev_before:+.2f} > {worst.level_ev_after:+.2f}"


def show_diffs(found: PlannedCorrection) -> None:
    """Every sidecar's change, line by line, on stdout."""
    for diff in found.proposal.diffs():
        put("")
        put(diff)


def show_summary(found: Correction, *, frames_table: bool = False, brief: bool = False) -> None:
    """What a photographer wants to know, in a few lines of talk. `brief`: no more than what follows from a yes."""
    from xmpsync.shoot.check import figures, share_judged

    rows = found.proposal.rows
    ready, options, solution = found.ready, found.ready.options, found.proposal.solution
    before, after = (figures(solution, options, after=late) for late in (False, True))
    if not brief:
        say(UNITS)
        say(
            f"{counted(len(rows), 'frame')}, {counted(len(solution.groups), 'kind of light')}, "
            f"{counted(len(solution.persons), 'person')}."
        )
    if before.de00_median is not None:
        say(f"Before: {spread(before)}")
        say(f"After:  {spread(after)}")
    show_share(share_judged(ready, solution), command("people", ready.root))
    if options.strength != 1.0 or options.strength_at:
        say(f"Strength {options.strength:g}: each light keeps part of its own colour and level.")
    for cast in found.proposal.neutrals():
        say(cast.sentence)
    if frames_table or ready.clocks_moved:
        for note in ready.clock_notes:
            say(note)
    if not brief:
        for note in (*ready.stand.notes(), *solution.notes):
            say(note)
        show_looks([row.result for row in rows])
    show_worklist([(row.frame_id, row.result.findings) for row in rows], differences=frames_table, advice=not brief)
    show_left_out(found.left_out)
    show_troubles(found.troubles)


def show_written(found: PlannedCorrection, outcome: RunOutcome | None) -> None:
    """What was written, and what to do next."""
    if outcome is None:
        n_files = len(found.proposal.plan.changes)
        would = f"{counted(n_files, 'file')} would change." if n_files else "There is nothing to change."
        say(f"{would} Nothing was written. More: --frames-table, --diff.")
        return
    new = f" ({len(outcome.created)} of them new)" if outcome.created else ""
    n_written = len(outcome.written) + len(set(outcome.created) - set(outcome.written))
    say(f"{counted(n_written, 'file')} written{new}, run {outcome.run_id}.", style="bold")
    for item in outcome.left_alone:
        say(f"Left alone: {item.name}: {item.reason}", style="yellow")
    for remark in outcome.remarks:
        say(remark)
    if outcome.written:
        say(LOAD_AGAIN)
        say(f"To take the run back: {command('rollback', found.ready.root)}")
        say(JUDGE)
