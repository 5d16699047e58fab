"""The JSON documents of every command that reports (described in docs/json.md). Plain dicts, units in the keys."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from xmpsync.shoot.check import Figures, Share, figures, share_judged
from xmpsync.shoot.look_findings import look_groups
from xmpsync.shoot.run_documents import head, outcome_of

if TYPE_CHECKING:
    from xmpsync.errors import LeftAlone, Trouble
    from xmpsync.plan.propose import Row
    from xmpsync.shoot.check import Checked
    from xmpsync.shoot.correct import PlannedCorrection
    from xmpsync.shoot.overnight import MeasuredShoot
    from xmpsync.shoot.people import People
    from xmpsync.shoot.references import References
    from xmpsync.shoot.session import Ready
    from xmpsync.solve.solution import FaceResult, Finding, FrameResult, Solution
    from xmpsync.write.outcome import RunOutcome


def correction_document(found: PlannedCorrection, outcome: RunOutcome | None) -> dict[str, Any]:
    """`correct --json`: the plan, and what was written if it was."""
    proposal, options = found.proposal, found.ready.options
    return {
        **head("correct"),
        "options": options.to_manifest(),
        "frames": [_row(row) for row in proposal.rows],
        **_shared(found.ready, proposal.solution, found.troubles, found.left_out),
        "figures_before": _figures(figures(proposal.solution, options, after=False)),
        "figures_after": _figures(figures(proposal.solution, options, after=True)),
        **_share(share_judged(found.ready, proposal.solution)),
        "neutrals": [
            {
                "frame": cast.frame_id,
                "place": list(cast.place),
                "delta_e00_before": cast.delta_e00_before,
                "delta_e00_after": cast.delta_e00_after,
                "ab_before": list(cast.ab_before),
                "ab_after": list(cast.ab_after),
            }
            for cast in proposal.neutrals()
        ],
        "files_to_change": [change.path for change in proposal.plan.changes],
        "run": None if outcome is None else outcome_of(outcome),
    }


def check_document(found: Checked) -> dict[str, Any]:
    """`check --json`: the figures as the sidecars stand now."""
    return {
        **head("check"),
        "passed": found.passed,
        "verdict": found.verdict.value,
        **_share(found.share),
        "figures": _figures(found.figures),
        "frames": [_frame(frame) for frame in found.solution.frames],
        **_shared(found.ready, found.solution, found.ready.troubles, found.ready.left_out),
    }


def measure_document(found: MeasuredShoot) -> dict[str, Any]:
    """`measure --json`: which faces have skin."""
    return {
        **head("measure"),
        "frames": [
            {
                "frame": frame_id,
                "body": m.capture.body,
                "faces": [
                    {
                        "face": face.face_id,
                        "name": face.name,
                        "origin": face.origin,
                        "box": [face.box.left, face.box.top, face.box.width, face.box.height],
                        "unusable": face.unusable.value if face.unusable else None,
                        "camera": list(face.skin.camera) if face.skin else None,
                    }
                    for face in m.faces
                ],
                "notes": list(m.notes),
            }
            for frame_id, m in found.measured.frames.items()
        ],
        "frames_from_store": found.measured.n_from_store,
        "cameras": found.scales.sentences(),
        "failed": _failed(found.troubles),
        "left_out": _left_out(found.left_out),
    }


def _shared(
    ready: Ready, solution: Solution, troubles: Sequence[Trouble], left_out: Sequence[LeftAlone]
) -> dict[str, Any]:
    return {
        "persons": [
            {
                "person": p.name,
                "lab_d50": list(p.lab_d50),
                "faces": p.n_faces,
                "referenced": p.referenced,
                "reference_spread_delta_e00": p.reference_spread_de00,
            }
            for p in solution.persons
        ],
        "ending": solution.ending.value,
        "passes": solution.passes,
        "light_groups": [
            {
                "group": g.index,
                "frames": list(g.frame_ids),
                "strength": g.strength,
                "exposure_coupling_sd_ev": g.exposure_coupling_sd_ev,
            }
            for g in solution.groups
        ],
        "looks": [
            {
                "code": group.code.value,
                "properties": list(group.properties),
                "words": list(group.words),
                "frames": list(group.frame_ids),
            }
            for group in look_groups(solution.frames)
        ],
        "cameras": ready.scales.sentences(),
        "failed": _failed(troubles),
        "left_out": _left_out(left_out),
        "notes": [*ready.clock_notes, *ready.stand.notes(), *solution.notes],
    }


def _failed(troubles: Sequence[Trouble]) -> list[dict[str, str]]:
    return [{"frame": t.frame_id, "what": t.what, "next_step": t.next_step} for t in troubles]


def _left_out(left_out: Sequence[LeftAlone]) -> list[dict[str, str]]:
    return [{"frame": item.name, "reason": item.reason} for item in left_out]


def _row(row: Row) -> dict[str, Any]:
    return {
        **_frame(row.result),
        "sidecar": row.sidecar,
        "creates_sidecar": row.creates,
        "before": row.before.as_json(),
        "after": row.after.as_json() if row.after else None,
    }


def _frame(result: FrameResult) -> dict[str, Any]:
    return {
        "frame": result.frame_id,
        "basis": result.basis.value,
        "light_group": result.group,
        "sd": {"mired": result.sd_mired, "tint": result.sd_tint, "exposure_ev": result.sd_ev},
        "faces": [_face(face) for face in result.faces],
        "findings": [_finding(finding) for finding in result.findings],
    }


def _face(face: FaceResult) -> dict[str, Any]:
    return {
        "face": face.face_id,
        "person": face.person,
        "probability": face.probability,
        "perhaps": face.perhaps,
        "judged": face.judged,
        "not_judged_because": face.unjudged.value if face.unjudged else None,
        "delta_e00_before": face.delta_e00_before,
        "delta_e00_after": face.delta_e00_after,
        "level_ev_before": face.level_ev_before,
        "level_ev_after": face.level_ev_after,
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "code": finding.code.value,
        "advice": finding.advice,
        "properties": list(finding.properties),
        "local": [
            {
                "face": d.face_id,
                "person": d.person,
                "exposure_ev": d.d_exposure_ev,
                "mired": d.d_mired,
                "tint": d.d_tint,
            }
            for d in finding.local
        ],
    }


def _figures(value: Figures) -> dict[str, Any]:
    return {
        "faces": value.n_faces,
        "faces_within_tolerance": value.n_within,
        "delta_e00_median": value.de00_median,
        "delta_e00_p95": value.de00_p95,
        "level_ev_median": value.ev_median,
        "level_ev_p95": value.ev_p95,
    }


def _share(value: Share) -> dict[str, Any]:
    return {"faces_with_skin": value.n_skin, "faces_judged": value.n_judged, "not_judged": dict(value.reasons)}


def people_document(found: People) -> dict[str, Any]:
    """`people --json`: who was found, what the photographer said, and which faces to name."""
    return {
        **head("people"),
        "people": [
            {
                "person": p.name,
                "named": p.named,
                "faces": p.n_faces,
                "faces_perhaps": p.n_perhaps,
                "lights": p.n_lights,
                "probability_least": p.sure,
                "alike_to": list(p.alike_to),
            }
            for p in found.persons
        ],
        "faces_unknown": found.n_unknown,
        "answers": [{"frame": a.frame_id, "place": [a.x, a.y], "person": a.name} for a in found.answers],
        "ask": [{"frame": p.frame_id, "place": [p.x, p.y]} for p in found.ask],
        "failed": _failed(found.ready.troubles),
        "left_out": _left_out(found.ready.left_out),
    }


def references_document(found: References) -> dict[str, Any]:
    """`references --json`: the best frames for each person, best first."""
    return {
        **head("references"),
        "candidates": [
            {"person": c.person, "frame": c.frame_id, "place": [c.place.x, c.place.y], "reasons": list(c.reasons)}
            for candidates in found.by_person.values()
            for c in candidates
        ],
        "chosen": list(found.chosen),
        "command_line": found.command,
        "failed": _failed(found.people.ready.troubles),
    }
