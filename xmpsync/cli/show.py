"""What a person reads: tables, summaries, worklists. Decides nothing."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from xmpsync.cli.talk import put, put_table, say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from xmpsync.shoot.check import Checked, Figures
    from xmpsync.shoot.correct import Correction, PlannedCorrection
    from xmpsync.shoot.history import History, RollbackReady
    from xmpsync.shoot.load import LeftOut, Trouble
    from xmpsync.shoot.overnight import MeasuredShoot
    from xmpsync.shoot.propose import Row
    from xmpsync.solve.solution import Finding, FrameResult
    from xmpsync.write.outcome import RunOutcome

MOST_GROUPS = 8
"""Lines about other settings; a shoot developed frame by frame would fill the screen."""
RIGHT = frozenset(
    {"temperature", "tint", "exposure", "colour", "level", "frames", "people", "files", "light", "by hand"}
)

LOAD_AGAIN = (
    "If your editor keeps a database of its own, let it load the sidecars again now. To take the run back: {back}"
)
JUDGE = "The numbers match skin to skin; judge the colour in your editor, on a calibrated display."
YIELDING = ("findings", "by", "light", "level", "colour")
"""Columns of the frame table that give way in a narrow window; the new values never do."""
UNITS = (
    "Colour: how far skin is from its reference, in dE00 (1 is just visible side by side); level: its brightness, "
    "in EV. Middle face of each light, before > after."
)


def show_lights(found: Correction, *, data: bool) -> None:
    """The screen to see first: a line for each light."""
    columns, rows = lights(found.proposal.rows)
    put_table(columns, rows, right=RIGHT, names=("from",), yielding=("from",), data=data)


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
    before, after = row.before, row.after
    white_before = (
        ("as shot", "") if before.temperature_k is None else (f"{before.temperature_k:.0f}", _tint(before.tint))
    )
    if after is None:
        values = (white_before[0], white_before[1], f"{before.exposure_ev:+.2f}")
    else:
        values = (
            _change(white_before[0], "as shot" if after.temperature_k is None else f"{after.temperature_k:.0f}"),
            _change(white_before[1], _tint(after.tint)),
            _change(f"{before.exposure_ev:+.2f}", f"{after.exposure_ev:+.2f}"),
        )
    colour, level = _faces(row.result)
    findings = ", ".join(f.code.value.replace("-", " ") for f in row.result.findings)
    return (row.frame_id, str(row.result.group + 1), row.result.basis.value, *values, colour, level, findings)


def _tint(tint: float | None) -> str:
    return "" if tint is None else f"{tint:+.0f}"


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


def show_summary(found: Correction, *, frames_table: bool) -> None:
    """What a photographer wants to know, in a few lines of talk."""
    from xmpsync.shoot.check import figures, share_judged
    from xmpsync.shoot.words import counted

    rows = found.proposal.rows
    options, solution = found.ready.options, found.proposal.solution
    before, after = (figures(solution, options, after=late) for late in (False, True))
    say(UNITS)
    say()
    say(
        f"{counted(len(rows), 'frame')}, {counted(len(solution.groups), 'kind of light')}, "
        f"{counted(len(solution.persons), 'person')}."
    )
    if before.de00_median is not None:
        say(f"Skin was off by {_spread(before)}.")
        say(f"With these numbers it is off by {_spread(after)}.")
    say(share_judged(found.ready, solution).sentence)
    unknown = sum(f.person is None for row in rows for f in row.result.faces)
    if unknown:
        from xmpsync.shoot.words import command

        asks = command("people", found.ready.root)
        say(f"{counted(unknown, 'face')} of nobody known for certain. To name people: {asks}")
    if options.strength != 1.0 or options.strength_at:
        say(f"Strength {options.strength:g}: each light keeps part of its own colour and level.")
    for cast in found.proposal.neutrals():
        say(cast.sentence)
    for note in (*found.ready.stand.notes(), *solution.notes):
        say(note)
    show_looks([row.result for row in rows])
    show_worklist([(row.frame_id, row.result.findings) for row in rows], differences=frames_table)
    show_left_out(found.left_out)
    show_troubles(found.troubles)


def show_written(found: PlannedCorrection, outcome: RunOutcome | None) -> None:
    """What was written, and what to do next."""
    from xmpsync.shoot.words import command, counted

    if outcome is None:
        n_files = len(found.proposal.plan.changes)
        would = f"{counted(n_files, 'file')} would change." if n_files else "There is nothing to change."
        say(f"{would} Nothing was written. Every frame's values: --frames-table; every changed line: --diff.")
        return
    new = f" ({len(outcome.created)} of them new)" if outcome.created else ""
    n_written = len(outcome.written) + len(set(outcome.created) - set(outcome.written))
    say(f"{counted(n_written, 'file')} written{new}, run {outcome.run_id}.", style="bold")
    for item in outcome.left_alone:
        say(f"Left alone: {item.path}: {item.reason}", style="yellow")
    for remark in outcome.remarks:
        say(remark)
    if outcome.written:
        say(LOAD_AGAIN.format(back=command("rollback", found.ready.root)))
        say(JUDGE)


def _spread(value: Figures) -> str:
    from xmpsync.shoot.words import counted

    return (
        f"{value.de00_median:.1f} dE00 and {value.ev_median:.2f} EV (19 of 20 faces are below {value.de00_p95:.1f} and "
        f"{value.ev_p95:.2f}); {value.n_within} of {counted(value.n_faces, 'face')} within tolerance"
    )


def show_looks(frames: Sequence[FrameResult]) -> None:
    """Frames whose other settings differ from their reference's, grouped; nothing where all are alike."""
    from xmpsync.shoot.looks import look_groups

    groups = look_groups(frames)
    if not groups:
        return
    say("Settings that differ from the reference's and move skin too:")
    for group in groups[:MOST_GROUPS]:
        say(f"  {group.sentence()}")
    if len(groups) > MOST_GROUPS:
        n = sum(len(group.frame_ids) for group in groups[MOST_GROUPS:])
        say(f"  and {n} more with other settings: --json lists them all.")


SHOWN_FRAMES = 6


def show_worklist(frames: Sequence[tuple[str, Sequence[Finding]]], *, differences: bool = False) -> None:
    """What needs handwork, a paragraph for each kind; with each face's own difference where asked for."""
    from xmpsync.shoot.looks import LOOK_CODES
    from xmpsync.shoot.words import counted
    from xmpsync.solve.solution import NEEDS_HANDWORK

    work: dict[str, list[tuple[str, Finding]]] = {}
    for frame, findings in frames:
        for finding in findings:
            if finding.code in NEEDS_HANDWORK:
                work.setdefault(finding.code.value, []).append((frame, finding))
    told = {*NEEDS_HANDWORK, *LOOK_CODES}
    rest = Counter(f.code.value for _, findings in frames for f in findings if f.code not in told)
    if rest:
        say("Noted: " + ", ".join(f"{code.replace('-', ' ')} {n}" for code, n in sorted(rest.items())) + ".")
    if not work:
        say("Nothing needs handwork.")
        return
    say("Needs handwork:", style="bold")
    for code, items in sorted(work.items()):
        names = ", ".join(frame for frame, _ in items[:SHOWN_FRAMES])
        more = f" and {len(items) - SHOWN_FRAMES} more" if len(items) > SHOWN_FRAMES else ""
        kind = code.replace("-", " ").capitalize()
        say(f"  {kind}, {counted(len(items), 'frame')}: {names}{more}. {items[0][1].advice}")
        for frame, finding in items if differences else ():
            for d in finding.local:
                who = d.person or d.face_id
                say(f"      {frame}, {who}: {d.d_exposure_ev:+.2f} EV, {d.d_mired:+.0f} mired, {d.d_tint:+.0f} tint")


def show_left_out(left_out: Sequence[LeftOut]) -> None:
    """Frames left out on purpose, counted by reason."""
    for reason, n in sorted(Counter(item.reason for item in left_out).items()):
        say(f"Left out: {n} ({reason}).")


def show_troubles(troubles: Sequence[Trouble]) -> None:
    """Frames that failed."""
    for trouble in troubles:
        say(f"Failed: {trouble.sentence}", style="red")


def show_measured(found: MeasuredShoot) -> None:
    """What a measuring run did."""
    from xmpsync.shoot.words import counted

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


def show_check(found: Checked, *, data: bool) -> None:
    """The verdict, the worst frames, and where each camera's colour comes from."""
    value = found.figures
    if data:
        columns = ("frame", "person", "colour", "level", "verdict")
        rows = []
        options = found.ready.options
        for frame in found.solution.frames:
            for face in frame.faces:
                if face.delta_e00_before is None or face.level_ev_before is None:
                    continue
                inside = (
                    face.delta_e00_before <= options.tolerance_de00
                    and abs(face.level_ev_before) <= options.tolerance_ev
                )
                verdict = "" if inside and face.judged else "off" if face.judged else "not judged"
                rows.append(
                    (
                        frame.frame_id,
                        face.person or "?",
                        f"{face.delta_e00_before:.2f}",
                        f"{face.level_ev_before:+.2f}",
                        verdict,
                    )
                )
        put_table(columns, rows, right=RIGHT, names=("frame", "person"))
    for line in found.ready.scales.sentences():
        say(line)
    for note in found.ready.stand.notes():
        say(note)
    show_looks(found.solution.frames)
    if value.de00_median is None:
        say("No face could be judged.")
    else:
        say(f"Skin is off by {_spread(value)}.")
        say("dE00 is a colour difference: 1 is just visible side by side. EV is brightness.")
    say(found.share.sentence)
    say(VERDICTS[found.verdict.value])
    show_left_out(found.ready.left_out)
    show_troubles(found.ready.troubles)


VERDICTS = {
    "matches": "It matches.",
    "off": "It does not match: fewer than 19 of 20 faces are within tolerance.",
    "not-sure": "Not sure: fewer than 8 of 10 faces with skin could be judged.",
}


def show_runs(found: History) -> None:
    """A line for each run, on stdout; damaged backups as talk."""
    from xmpsync.shoot.words import counted, local_time

    rows = [(run.run_id, local_time(run.time), run.command, str(len(run.paths)), run.state.value) for run in found.runs]
    put_table(("run", "time", "command", "files", "state"), rows, right=RIGHT, yielding=("command", "time", "files"))
    if not found.runs:
        say("Nothing was written yet.")
    for damage in found.damaged:
        say(f"Damaged backup: run {damage.run_id}, {damage.path}: {damage.what}", style="red")
    if found.verified and not found.damaged:
        say("All backups are sound.")
    if found.given_up:
        say(f"Deleted the backups of {counted(len(found.given_up), 'run')}; these can no longer be rolled back.")


def show_rollback_plan(found: RollbackReady, *, data: bool) -> None:
    """What would happen to each file."""
    rows = [(step.path, step.action.value, step.why) for step in found.plan.steps]
    put_table(("file", "what", "why"), rows, names=("file",), yielding=("why",), data=data)


def show_rollback(found: RollbackReady, outcome: RunOutcome) -> None:
    """What a rollback did."""
    from xmpsync.shoot.words import counted

    n = len(outcome.written) + len(outcome.created) + len(outcome.removed)
    say(f"Run {found.plan.run_id} taken back: {counted(n, 'file')}.", style="bold")
    for item in outcome.left_alone:
        say(f"Left alone: {item.path}: {item.reason}", style="yellow")
    for remark in outcome.remarks:
        say(remark)
    say("If your editor keeps a database of its own, let it load the sidecars again now.")
