"""What a person reads: tables, summaries, worklists. Decides nothing."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from xmpsync.cli.talk import put, put_table, say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from xmpsync.shoot.check import Checked, Figures
    from xmpsync.shoot.correct import Correction
    from xmpsync.shoot.history import History, RollbackReady
    from xmpsync.shoot.load import LeftOut, Trouble
    from xmpsync.shoot.overnight import MeasuredShoot
    from xmpsync.shoot.propose import Row
    from xmpsync.solve.solution import Finding, FrameResult
    from xmpsync.write.outcome import RunOutcome

MOST_GROUPS = 8
"""Lines about other settings; a shoot developed frame by frame would fill the screen."""
RIGHT = frozenset({"temperature", "tint", "exposure", "skin dE00", "level EV"})

CATALOGUE = (
    "An editor with a catalogue re-reads sidecars only when told to: read metadata from files there now. "
    "Take it back with: xmpsync rollback {shoot}"
)
JUDGE = "The numbers match skin to skin; judge the colour in your editor, on a calibrated display."


def show_proposal(found: Correction, *, data: bool) -> None:
    """The value table: on stdout, or as talk where the question follows."""
    columns = ("frame", "light", "by", "temperature", "tint", "exposure", "skin dE00", "level EV", "findings")
    put_table(columns, [_row(row) for row in found.proposal.rows], right=RIGHT, data=data)


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


def show_diffs(found: Correction) -> None:
    """Every sidecar's change, line by line, on stdout."""
    for diff in found.proposal.diffs():
        put("")
        put(diff)


def show_summary(found: Correction, outcome: RunOutcome | None) -> None:
    """What a photographer wants to know, in a few lines of talk."""
    from xmpsync.shoot.check import figures

    rows = found.proposal.rows
    options, solution = found.ready.options, found.proposal.solution
    by = Counter(row.result.basis.value for row in rows)
    say()
    say(f"{len(rows)} frames in {len(solution.groups)} kinds of light, {len(solution.persons)} persons.")
    say("By " + ", ".join(f"{name}: {n}" for name, n in sorted(by.items())) + ".")
    before, after = (figures(solution, options, after=late) for late in (False, True))
    if before.de00_median is not None:
        say(f"Skin was off by {_spread(before)}.")
        say(f"With these numbers it is off by {_spread(after)}.")
    if options.strength != 1.0 or options.strength_at:
        say(f"Strength {options.strength:g}: each light keeps part of its own mood.")
    for cast in found.proposal.neutrals():
        say(cast.sentence)
    for note in (*found.ready.stand.notes(), *solution.notes):
        say(note)
    show_looks([row.result for row in rows])
    show_worklist([(row.frame_id, row.result.findings) for row in rows])
    show_left_out(found.left_out)
    show_troubles(found.troubles)
    say()
    if outcome is None:
        say(f"{len(found.proposal.plan.changes)} files would change. Nothing was written.")
        return
    n_created = len(outcome.created)
    say(
        f"{len(outcome.written)} files written ({n_created} of them new), run {outcome.run_id}.",
        style="bold",
    )
    for item in outcome.left_alone:
        say(f"Left alone: {item.path}: {item.reason}", style="yellow")
    for remark in outcome.remarks:
        say(remark)
    if outcome.written:
        say(CATALOGUE.format(shoot=found.ready.root))
        say(JUDGE)


def _spread(value: Figures) -> str:
    return (
        f"{value.de00_median:.1f} dE00 (95 %: {value.de00_p95:.1f}) and {value.ev_median:.2f} EV "
        f"(95 %: {value.ev_p95:.2f}); {value.n_within} of {value.n_faces} faces within tolerance"
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


def show_worklist(frames: Sequence[tuple[str, Sequence[Finding]]]) -> None:
    """Frames that need handwork and why, with each face's own difference; the mere explanations as counts."""
    from xmpsync.shoot.looks import LOOK_CODES
    from xmpsync.solve.solution import NEEDS_HANDWORK

    work = [(frame, f) for frame, findings in frames for f in findings if f.code in NEEDS_HANDWORK]
    told = {*NEEDS_HANDWORK, *LOOK_CODES}
    rest = Counter(f.code.value for _, findings in frames for f in findings if f.code not in told)
    if rest:
        say("Noted: " + ", ".join(f"{code.replace('-', ' ')} {n}" for code, n in sorted(rest.items())) + ".")
    if not work:
        say("Nothing needs handwork.")
        return
    say("Needs handwork:", style="bold")
    for frame, finding in work:
        say(f"  {frame}: {finding.code.value.replace('-', ' ')}. {finding.advice}")
        for d in finding.local:
            who = d.person or d.face_id
            say(f"      {who}: {d.d_exposure_ev:+.2f} EV, {d.d_mired:+.0f} mired, {d.d_tint:+.0f} tint")


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
    n = len(found.measured.frames)
    n_faces = sum(len(m.faces) for m in found.measured.frames.values())
    n_skin = sum(1 for m in found.measured.frames.values() for face in m.faces if face.skin)
    say(f"{n} frames measured ({found.measured.n_from_store} of them before), {n_faces} faces, {n_skin} with skin.")
    for line in found.scales.sentences():
        say(line)
    show_left_out(found.left_out)
    show_troubles(found.troubles)


def show_check(found: Checked, *, data: bool) -> None:
    """The verdict, the worst frames, and where each camera's colour comes from."""
    value = found.figures
    if data:
        columns = ("frame", "person", "skin dE00", "level EV", "")
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
        put_table(columns, rows, right=RIGHT)
    for line in found.ready.scales.sentences():
        say(line)
    for note in found.ready.stand.notes():
        say(note)
    show_looks(found.solution.frames)
    if value.de00_median is None:
        say("No face could be judged.")
    else:
        say(f"Skin is off by {_spread(value)}.")
        say("It matches." if found.passed else "It does not match: fewer than 95 % of the faces are within tolerance.")
    show_left_out(found.ready.left_out)
    show_troubles(found.ready.troubles)


def show_runs(found: History) -> None:
    """A line for each run, on stdout; damaged backups as talk."""
    rows = [
        (run.run_id, run.time[:19].replace("T", " "), run.command, str(len(run.paths)), run.state.value)
        for run in found.runs
    ]
    put_table(("run", "time (UTC)", "command", "files", "state"), rows, right=frozenset({"files"}))
    if not found.runs:
        say("Nothing was written yet.")
    for damage in found.damaged:
        say(f"Damaged backup: run {damage.run_id}, {damage.path}: {damage.what}", style="red")
    if found.verified and not found.damaged:
        say("All backups are sound.")
    if found.given_up:
        say(f"Backups given up of {len(found.given_up)} runs; these can no longer be rolled back.")


def show_rollback_plan(found: RollbackReady, *, data: bool) -> None:
    """What would happen to each file."""
    rows = [(step.path, step.action.value, step.why) for step in found.plan.steps]
    put_table(("file", "what", "why"), rows, data=data)


def show_rollback(found: RollbackReady, outcome: RunOutcome) -> None:
    """What a rollback did."""
    n = len(outcome.written) + len(outcome.created) + len(outcome.removed)
    say(f"Run {found.plan.run_id} taken back: {n} files.", style="bold")
    for item in outcome.left_alone:
        say(f"Left alone: {item.path}: {item.reason}", style="yellow")
    for remark in outcome.remarks:
        say(remark)
    say("An editor with a catalogue shows it after you read metadata from files there.")
