"""An evening's results made by hand, for screens: no change of the solver moves them.."""

from __future__ import annotations

from pathlib import Path

from tests.solve.builders import DAY, LAMP, PROFILE, SHADE, camera_of, frame
from xmpsync.errors import LeftAlone, Trouble
from xmpsync.plan.options import Options
from xmpsync.plan.planned import Planned
from xmpsync.plan.propose import Row
from xmpsync.records import Box, Develop
from xmpsync.shoot.check import Checked, figures
from xmpsync.shoot.correct import PlannedCorrection
from xmpsync.shoot.history import History, RollbackReady
from xmpsync.shoot.load import Loaded
from xmpsync.shoot.names_given import Answer
from xmpsync.shoot.people import FacePlace, People, PersonFound
from xmpsync.shoot.phrases import command
from xmpsync.shoot.references import Candidate, References
from xmpsync.shoot.request import Stand
from xmpsync.shoot.scales import Scales
from xmpsync.shoot.session import Ready
from xmpsync.skin.records import FaceSkin
from xmpsync.solve.problem import Face, Request
from xmpsync.solve.solution import (
    Basis,
    Code,
    FaceResult,
    Finding,
    FrameResult,
    Group,
    LocalDifference,
    Person,
    Solution,
    Unjudged,
)
from xmpsync.write.outcome import RunOutcome
from xmpsync.write.plan import ChangeKind, FileChange, Plan
from xmpsync.write.rollback import Action, RollbackPlan, RollbackStep
from xmpsync.write.runs import RunState, RunSummary

ROOT = Path("our wedding")
OPTIONS = Options(references=("k1/K1_0001",))
RUN = "0001-20260912T221530Z"
N_LIGHTS = 15

_PEOPLE = ("Ada", "Ben", "person 3")
_LIGHTS = (DAY, SHADE, LAMP)


def _results() -> list[tuple[FrameResult, Develop, Develop | None]]:
    """Each frame with its numbers before and after: 15 lights of 1 to 4 frames, the first frame is the reference."""
    found = []
    number = 0
    for light in range(N_LIGHTS):
        for _ in range(1 + light % 4):
            number += 1
            name = f"{'k1' if light % 2 == 0 else 'second shooter'}/K1_{number:04d}.nef"
            off, ev = 1.0 + 0.7 * light, 0.05 + 0.09 * light
            faces = [
                FaceResult(f"f{i}", who, 0.99, off + i, 0.2 + 0.1 * i + 0.05 * light, ev, 0.01 * (i + 1))
                for i, who in enumerate(_PEOPLE[: 1 + number % 3])
            ]
            findings = []
            if number == 1:
                faces = [FaceResult("f0", "Ada", 1.0, 0.0, 0.0, 0.0, 0.0)]
            elif number % 5 == 0:
                faces = []
                findings.append(Finding(Code.NO_FACE, "Follows its light; --skin points at skin."))
            elif number % 7 == 0:
                faces[0] = FaceResult("f0", None, 0.6, None, None, None, None, Unjudged.UNKNOWN_PERSON, "Ben")
                findings.append(Finding(Code.UNKNOWN_PERSON, "Name the person."))
            elif number in (12, 13):
                local = (LocalDifference("f0", "Ada", -0.42, 31.0, -4.0),)
                advice = "A face is lit by two lights: finish each face by hand with its own difference."
                findings.append(Finding(Code.MIXED_LIGHT, advice, local))
            elif number == 17:
                findings.append(Finding(Code.LOOK_DIFFERS, "Differs.", properties=("crs:Contrast2012",)))
            reference = number == 1
            settings = (
                None if reference else Develop(5200.0 + 310 * light, float(light - 4), round(0.1 * light - 0.5, 2))
            )
            result = FrameResult(
                name, Basis.REFERENCE if reference else Basis.FACES if faces else Basis.GROUP, light, settings,
                3.0, 1.0, 0.05, tuple(faces), tuple(findings),
            )  # fmt: skip
            before = (
                Develop(5150.0, 4.0, 0.2) if reference or number % 4 == 0 else Develop(5000.0, 0.0, 0.0, as_shot=True)
            )
            found.append((result, before, settings))
    return found


def _solution() -> Solution:
    results = tuple(result for result, _, _ in _results())
    groups = tuple(
        Group(light, tuple(r.frame_id for r in results if r.group == light), 1.0, None) for light in range(N_LIGHTS)
    )
    persons = tuple(
        Person(who, (60.0, 12.0, 18.0), 9, who == "Ada", alike_to=("Ben",) if who == "person 3" else ())
        for who in _PEOPLE
    )
    return Solution(results, persons, groups)


def _request() -> Request:
    """The same frames and faces, with skin, as the share of judged faces counts them."""
    frames = []
    for number, (result, _, _) in enumerate(_results()):
        light = _LIGHTS[result.group % len(_LIGHTS)]
        r, g, b = (float(v) for v in camera_of("ann", light))
        skin = FaceSkin((r, g, b), ((1e-5, 0.0, 0.0), (0.0, 1e-5, 0.0), (0.0, 0.0, 1e-5)), 900)
        faces = tuple(Face(f.face_id, Box(0.2, 0.3, 0.2, 0.3), skin=skin) for f in result.faces)
        frames.append(frame(result.frame_id, faces, time_s=10.0 * number))
    assert frames[0].profile is PROFILE
    return Request(tuple(frames), ())


def ready() -> Ready:
    request = _request()
    ids = tuple(f.frame_id for f in request.frames)
    return Ready(
        root=ROOT, state=ROOT / ".xmpsync", options=OPTIONS, loaded=Loaded(ROOT, (), (), (), ids),
        stand=Stand({}, (), ()), request=request, scales=Scales({}),
        troubles=(Trouble("k1/K1_0099.nef", "k1/K1_0099.nef ends too early.", "Copy it from the card again."),),
        left_out=tuple(LeftAlone(f"k1/K1_{n:04d}.nef", "rejected (rating -1)") for n in range(200, 212)),
        n_from_store=len(ids),
        clocks_moved=True, clock_notes=("Maker/Two/2: the clock is moved by -00:01:30 (known to about 3 s).",),
    )  # fmt: skip


def correction() -> PlannedCorrection:
    rows = tuple(
        Row(result.frame_id, str(Path(result.frame_id).with_suffix(".xmp")), before, after, result)
        for result, before, after in _results()
    )
    changes = tuple(
        FileChange(row.sidecar, ChangeKind.SIDECAR, None, b"<x/>\n") for row in rows if row.after is not None
    )
    now = ready()
    return PlannedCorrection(
        now,
        Planned(
            root=ROOT, options=OPTIONS, rows=rows, wishes=(), solution=_solution(), request=now.request,
            plan=Plan(changes, {}, "0"), before_bytes={change.path: None for change in changes}, troubles=(),
        ),
    )  # fmt: skip


def outcome() -> RunOutcome:
    paths = tuple(change.path for change in correction().proposal.plan.changes)
    locked = LeftAlone(paths[-1], "another program changed it during the run")
    return RunOutcome(RUN, paths[2:-1], paths[:2], (), (locked,), ())


def checked(*, off: bool = True) -> Checked:
    solution = _solution()
    return Checked(ready(), solution, figures(solution, OPTIONS, after=not off))


def people() -> People:
    persons = (
        PersonFound("Ada", 31, 0, 12, 0.99, (), True, None),
        PersonFound("Ben", 14, 2, 7, 0.97, ("person 3",), True, None),
        PersonFound("person 3", 9, 4, 5, 0.96, ("Ben",), False, FacePlace("k1/K1_0007.nef", 0.512, 0.33)),
    )
    answers = (Answer("k1/K1_0004.nef", 0.25, 0.5, "Ben"), Answer("k1/K1_0008.nef", 0.25, 0.5, "Ben"))
    asked = (FacePlace("k1/K1_0007.nef", 0.512, 0.33), FacePlace("second shooter/K1_0014.nef", 0.7, 0.41))
    return People(ready(), _solution(), persons, answers, asked, 6)


def references() -> References:
    def candidate(person: str, name: str, *reasons: str) -> Candidate:
        return Candidate(name, person, FacePlace(name, 0.5, 0.4), 0.1, 2, reasons)

    by_person = {
        "Ada": (
            candidate("Ada", "k1/K1_0001.nef", "2 people", "set by hand", "lit well"),
            candidate("Ada", "second shooter/K1_0014.nef", "but: darker than usual for this person, uncertain colour"),
        ),
        "Ben": (candidate("Ben", "k1/K1_0001.nef", "2 people", "set by hand", "lit well"),),
        "person 3": (),
    }
    words = command("correct", ROOT, "--reference", "k1/K1_0001.nef", "--dry-run")
    return References(people(), by_person, ("k1/K1_0001.nef",), words)


def history() -> History:
    return History(
        (
            RunSummary(RUN, "2026-09-12T22:15:30Z", "correct", "0.1.0", RunState.COMPLETE, tuple("abc")),
            RunSummary("0002-20260912T223102Z", "2026-09-12T22:31:02Z", "rollback", "0.1.0", RunState.COMPLETE, ("a",)),
        ),
        (),
        False,
    )


def rollback() -> RollbackReady:
    steps = [RollbackStep(f"k1/K1_{n:04d}.xmp", Action.RESTORE, "unchanged since") for n in range(2, 30)]
    steps += [RollbackStep("k1/K1_0030.xmp", Action.REMOVE, "created by the run, unchanged since")]
    steps += [RollbackStep("k1/K1_0031.xmp", Action.LEAVE, "its temperature was changed since")]
    return RollbackReady(ROOT, ROOT / ".xmpsync", RollbackPlan(RUN, tuple(steps), whole=True))


def rolled_back() -> RunOutcome:
    paths = tuple(step.path for step in rollback().plan.steps)
    return RunOutcome("0002", paths[:28], (), paths[28:29], (LeftAlone(paths[29], rollback().plan.steps[29].why),), ())
