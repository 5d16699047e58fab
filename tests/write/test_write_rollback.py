"""Rollback: original bytes where nobody touched the file, field by field where others did, nobody's work lost."""

from __future__ import annotations

import pytest

from tests.write.disk import Shoot, corrected, packet, rated
from xmpsync.errors import DiskNeedsAttention, Refused, WrongUsage
from xmpsync.write.outcome import RunOutcome
from xmpsync.write.plan import ChangeKind, FileChange, sha256
from xmpsync.write.rollback import Action, RollbackPlan, perform_rollback, plan_rollback
from xmpsync.write.runs import RunState, list_runs, prune
from xmpsync.xmp.edit import Change, from_embedded, our_fields


def _plan(shoot: Shoot, *args: object, **more: object) -> RollbackPlan:
    return plan_rollback(shoot.root, shoot.state, *args, **more)  # type: ignore[arg-type]


def _back(shoot: Shoot, *args: object, **more: object) -> RunOutcome:
    return perform_rollback(_plan(shoot, *args, **more), shoot.root, shoot.state, tool_version="1.2")


def _actions(plan: RollbackPlan) -> dict[str, Action]:
    return {step.path: step.action for step in plan.steps}


def _corrected_shoot(shoot: Shoot, names: str = "abc") -> RunOutcome:
    for name in names:
        shoot.put(f"{name}.xmp", packet())
    return shoot.run(
        *(shoot.change(f"{name}.xmp", corrected(packet())) for name in names), shoot.change("new.xmp", packet(5000))
    )


def test_a_whole_run_goes_back_byte_for_byte_and_created_files_are_removed(shoot: Shoot) -> None:
    run = _corrected_shoot(shoot)
    plan = _plan(shoot)
    assert _actions(plan) == {f"{name}.xmp": Action.RESTORE for name in "abc"} | {"new.xmp": Action.REMOVE}
    assert plan.run_id == run.run_id
    assert shoot.read("a.xmp") == corrected(packet())  # planning wrote nothing
    outcome = _back(shoot)
    assert shoot.everything() == {f"{name}.xmp": packet() for name in "abc"}
    assert (outcome.removed, outcome.exit_code) == (("new.xmp",), 0)
    first, second = list_runs(shoot.state)
    assert (first.state, second.state) == (RunState.ROLLED_BACK, RunState.COMPLETE)
    assert (second.command, second.undoes, second.tool_version) == ("rollback", first.run_id, "1.2")


def test_chosen_frames_go_back_and_the_rest_may_follow(shoot: Shoot) -> None:
    _corrected_shoot(shoot)
    _back(shoot, frames={"b.xmp"})
    assert shoot.read("a.xmp") == corrected(packet())
    assert shoot.read("b.xmp") == packet()
    assert list_runs(shoot.state)[0].state is RunState.PARTLY_ROLLED_BACK
    assert _actions(_plan(shoot))["b.xmp"] is Action.NOTHING
    _back(shoot)
    assert shoot.everything() == {f"{name}.xmp": packet() for name in "abc"}
    assert list_runs(shoot.state)[0].state is RunState.ROLLED_BACK


def test_a_frame_that_the_run_did_not_write_is_refused(shoot: Shoot) -> None:
    _corrected_shoot(shoot)
    with pytest.raises(WrongUsage, match=r"did not write other\.xmp"):
        _plan(shoot, frames={"a.xmp", "other.xmp"})


def test_others_fields_stay_and_only_ours_go_back(shoot: Shoot) -> None:
    _corrected_shoot(shoot)
    shoot.put("a.xmp", rated(corrected(packet())))
    shoot.put("new.xmp", rated(packet(5000)))
    plan = _plan(shoot)
    assert _actions(plan)["a.xmp"] is Action.FIELDS
    assert _actions(plan)["new.xmp"] is Action.FIELDS
    outcome = _back(shoot)
    assert shoot.read("a.xmp") == rated(packet())
    assert b'Rating="5"' in shoot.read("new.xmp")  # theirs is kept, so is the file
    assert b"Temperature" not in shoot.read("new.xmp")
    assert outcome.removed == ()


def test_a_new_sidecar_goes_back_to_the_values_of_the_packet_it_began_as(shoot: Shoot) -> None:
    embedded = packet(4500)
    made = from_embedded(embedded, Change(temperature_k=6500, tint=1, exposure_ev=0.0))
    shoot.run(FileChange("a.xmp", ChangeKind.SIDECAR, None, made, basis=embedded))
    shoot.put("a.xmp", rated(made))
    _back(shoot)
    assert our_fields(shoot.read("a.xmp")) == our_fields(embedded)
    assert b'Rating="5"' in shoot.read("a.xmp")


def test_our_fields_changed_by_somebody_are_left_alone_unless_forced(shoot: Shoot) -> None:
    _corrected_shoot(shoot)
    theirs = corrected(packet(), 7000)
    shoot.put("a.xmp", theirs)
    plan = _plan(shoot)
    assert _actions(plan)["a.xmp"] is Action.LEAVE
    assert plan.left_alone[0].reason == "our own fields were changed since"
    outcome = _back(shoot)
    assert shoot.read("a.xmp") == theirs
    assert outcome.exit_code == 1
    assert [item.name for item in outcome.left_alone] == ["a.xmp"]
    with pytest.raises(WrongUsage, match="no run to roll back"):  # over with, also for the file left alone
        _plan(shoot)
    _back(shoot, list_runs(shoot.state)[0].run_id, force=True)
    assert our_fields(shoot.read("a.xmp")) == our_fields(packet())
    kept = shoot.state / "runs" / list_runs(shoot.state)[-1].run_id / "originals" / "a.xmp"
    assert kept.read_bytes() == theirs  # forced, and still not lost


def test_a_file_that_is_gone_stays_gone_unless_forced(shoot: Shoot) -> None:
    _corrected_shoot(shoot)
    (shoot.root / "a.xmp").unlink()
    (shoot.root / "new.xmp").unlink()
    assert _actions(_plan(shoot))["a.xmp"] is Action.LEAVE
    assert _actions(_plan(shoot))["new.xmp"] is Action.NOTHING  # it was not there before the run either
    _back(shoot, force=True)
    assert shoot.everything() == {f"{name}.xmp": packet() for name in "abc"}


def test_a_sidecar_that_is_broken_now_is_left_alone(shoot: Shoot) -> None:
    _corrected_shoot(shoot)
    shoot.put("a.xmp", b"<broken")
    plan = _plan(shoot)
    assert _actions(plan)["a.xmp"] is Action.LEAVE
    assert _actions(plan)["b.xmp"] is Action.RESTORE


def test_a_file_put_back_by_hand_needs_nothing(shoot: Shoot) -> None:
    _corrected_shoot(shoot)
    shoot.put("a.xmp", packet())
    assert _actions(_plan(shoot))["a.xmp"] is Action.NOTHING
    shoot.put("b.xmp", rated(packet()))  # our fields put back by hand, others' changed
    assert _actions(_plan(shoot))["b.xmp"] is Action.LEAVE
    assert _actions(_plan(shoot, force=True))["b.xmp"] is Action.NOTHING


def test_an_older_run_below_a_newer_one_leaves_what_the_newer_wrote(shoot: Shoot) -> None:
    _corrected_shoot(shoot)
    first = list_runs(shoot.state)[0].run_id
    again = corrected(packet(), 6600)
    shoot.run(shoot.change("a.xmp", again))
    second = list_runs(shoot.state)[1].run_id
    plan = _plan(shoot, first)
    assert _actions(plan)["a.xmp"] is Action.LEAVE
    assert second in plan.left_alone[0].reason
    assert _actions(plan)["b.xmp"] is Action.RESTORE
    assert _actions(_plan(shoot, first, force=True))["a.xmp"] is Action.FIELDS
    _back(shoot)  # the newest
    assert shoot.read("a.xmp") == corrected(packet())
    _back(shoot)  # then the older one: all of it, by default
    assert shoot.everything() == {f"{name}.xmp": packet() for name in "abc"}


def test_a_rollback_can_be_rolled_back(shoot: Shoot) -> None:
    _corrected_shoot(shoot)
    after = shoot.everything()
    _back(shoot)
    _back(shoot, "2")
    assert shoot.everything() == after
    first, second, third = list_runs(shoot.state)
    assert [run.state for run in (first, second, third)] == [
        RunState.COMPLETE,
        RunState.ROLLED_BACK,
        RunState.COMPLETE,
    ]
    _back(shoot, "1")
    assert shoot.everything() == {f"{name}.xmp": packet() for name in "abc"}


def test_a_file_made_anew_where_a_rollback_removed_one_is_left_alone(shoot: Shoot) -> None:
    _corrected_shoot(shoot)
    _back(shoot)
    shoot.put("new.xmp", packet(4321))
    plan = _plan(shoot, "2")
    assert _actions(plan)["new.xmp"] is Action.LEAVE
    assert "there is a new one" in plan.left_alone[0].reason


def test_a_damaged_backup_is_named_and_its_file_left_alone(shoot: Shoot) -> None:
    run = _corrected_shoot(shoot)
    folder = shoot.state / "runs" / str(run.run_id)
    (folder / "originals" / "a.xmp").write_bytes(b"rotten")
    (folder / "originals" / "b.xmp").unlink()
    plan = _plan(shoot)
    assert _actions(plan)["a.xmp"] is Action.LEAVE
    assert "does not have the hash" in plan.left_alone[0].reason
    assert "cannot be read" in plan.left_alone[1].reason
    assert _actions(plan)["c.xmp"] is Action.RESTORE


def test_a_file_that_changed_between_the_rollbacks_plan_and_its_run_refuses_it(shoot: Shoot) -> None:
    _corrected_shoot(shoot)
    plan = _plan(shoot)
    shoot.put("a.xmp", rated(corrected(packet())))
    with pytest.raises(Refused, match=r"a\.xmp"):
        perform_rollback(plan, shoot.root, shoot.state)
    assert shoot.read("b.xmp") == corrected(packet())


def test_runs_that_cannot_be_rolled_back_say_why(shoot: Shoot) -> None:
    with pytest.raises(WrongUsage, match="no run to roll back"):
        _plan(shoot)
    with pytest.raises(WrongUsage, match="Runs here: none"):
        _plan(shoot, "7")
    _corrected_shoot(shoot)
    _corrected_shoot(shoot, "d")
    with pytest.raises(WrongUsage, match=r"Runs here: 0001-\S+, 0002-"):
        _plan(shoot, "7")
    prune(shoot.state, 1)
    with pytest.raises(Refused, match="were given up"):
        _plan(shoot, "1")
    abandoned = shoot.state / "runs" / "0003-20260101T000000Z"
    abandoned.mkdir()
    with pytest.raises(Refused, match="interrupted before it began"):
        _plan(shoot, "3")
    (abandoned / "manifest.json").write_bytes(b"{}")
    with pytest.raises(DiskNeedsAttention, match="did not end"):
        _plan(shoot, "1")
    (abandoned / "outcome.json").write_bytes(b"{}")
    with pytest.raises(DiskNeedsAttention, match="cannot be read"):
        _plan(shoot, "3")


def test_a_recovered_run_has_nothing_to_roll_back(shoot: Shoot) -> None:
    run = _corrected_shoot(shoot)
    (shoot.state / "runs" / str(run.run_id) / "outcome.json").unlink()
    with pytest.raises(DiskNeedsAttention):
        _plan(shoot)
    from xmpsync.write.recover import recover

    report = recover(shoot.root, shoot.state)
    assert report is not None
    assert report.run_ids == (run.run_id,)
    with pytest.raises(Refused, match="was taken back"):
        _plan(shoot, "1")


def test_an_unreadable_target_is_left_alone(shoot: Shoot) -> None:
    from pathlib import Path

    from tests.write.disk import AnyDisk

    class Unreadable(AnyDisk):
        def read(self, path: Path, offset: int = 0, size: int | None = None) -> bytes:
            if path.name == "a.xmp" and "originals" not in path.parts:
                raise PermissionError(13, "Permission denied")
            return super().read(path, offset, size)

    _corrected_shoot(shoot)
    plan = plan_rollback(shoot.root, shoot.state, fs=Unreadable())
    assert plan.left_alone[0].reason == "it cannot be read: Permission denied"


def test_hashes_in_the_plan_are_those_of_the_files_now(shoot: Shoot) -> None:
    _corrected_shoot(shoot)
    for step in _plan(shoot).steps:
        assert step.change is not None
        assert step.change.before_sha256 == sha256(shoot.read(step.path))
