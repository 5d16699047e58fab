"""Power loss and killed processes at every step, in memory: nothing is lost, nothing is mixed.

The model (simfs.py) is POSIX's promise about fsync and rename; the judge (crashes.py) is docs/crash-safety.md. How many
states are tried: `python benchmarks/crash/count.py`.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.write.crashes import (
    FOREIGN,
    SHOOT,
    STATE,
    Lost,
    Tally,
    World,
    crashes,
    dng,
    edits,
    kill_and_go_on,
    kills,
    power_losses,
    readers_see_whole_packets,
    rolled_back,
    sidecars,
)
from tests.write.simfs import SimFS
from xmpsync.write.perform import perform
from xmpsync.write.plan import ChangeKind, FileChange, Plan, sha256
from xmpsync.write.recover import recover, unfinished

WORLDS: dict[str, Callable[[], World]] = {
    "sidecars": lambda: sidecars(2),
    "packet in place": lambda: dng("<", "in place"),
    "packet appended": lambda: dng(">", "append"),
    "packet anew": lambda: dng("<", "anew"),
    "rollback": lambda: rolled_back(sidecars(2), "day0/f0.xmp"),
    "rollback of an appended packet": lambda: rolled_back(dng("<", "append")),
    "rollback of a new packet": lambda: rolled_back(dng(">", "anew")),
}
every_world = pytest.mark.parametrize("name", WORLDS)


@every_world
def test_power_loss_at_every_step_leaves_every_file_old_or_new(name: str) -> None:
    tally = Tally()
    power_losses(WORLDS[name](), tally)
    assert tally.recoveries >= 300


@every_world
def test_power_loss_inside_recovery_changes_nothing_about_that(name: str) -> None:
    tally = Tally()
    power_losses(WORLDS[name](), tally, limit=2, inner=1)
    assert tally.recoveries >= 200


@every_world
def test_a_killed_process_leaves_every_file_old_or_new_also_after_a_later_power_loss(name: str) -> None:
    tally = Tally()
    kills(WORLDS[name](), tally, limit=8)
    assert tally.recoveries >= 100


@every_world
def test_a_command_after_a_killed_one_is_as_durable_as_any(name: str) -> None:
    tally = Tally()
    kill_and_go_on(WORLDS[name](), tally, limit=4)
    assert tally.recoveries >= 30


@every_world
def test_what_somebody_saved_between_crash_and_recovery_stays_and_is_named(name: str) -> None:
    tally = Tally()
    edits(WORLDS[name](), tally, limit=3)
    assert tally.recoveries >= 100


@pytest.mark.parametrize("name", ["packet appended", "packet anew", "rollback of an appended packet"])
def test_readers_find_a_whole_packet_between_crash_and_recovery(name: str) -> None:
    tally = Tally()
    readers_see_whole_packets(WORLDS[name](), tally)
    assert tally.crash_states >= 100


@pytest.mark.long
@every_world
def test_everything_at_once_in_full(name: str) -> None:
    world, tally = WORLDS[name](), Tally()
    power_losses(world, tally, limit=12, inner=4)
    kills(world, tally, inner=4)
    kill_and_go_on(world, tally)
    edits(world, tally)
    assert tally.recoveries >= 2000


def test_the_judge_sees_a_lost_original() -> None:
    """The tests above can fail: a backup that vanished, a mixed sidecar, a forgotten temporary file."""
    world = sidecars(1)
    fs = world.fresh()
    world.act(fs)
    path = next(path for path in fs.files() if "originals" in path and path.endswith(".xmp"))
    for place, data in [(path, b"torn"), ("card/shoot/day0/f0.xmp", b"mixed"), ("card/shoot/day0/.x.tmp", b"")]:
        broken = fs.after_kill()
        broken.place(f"/{place}", data)
        with pytest.raises(Lost):
            from tests.write.crashes import judge

            judge(world, broken, ended=True)


def _interrupted() -> SimFS:
    """A run of two sidecars and a new one, killed when the first file had been replaced."""
    world = sidecars(2)
    for _, seen, _ in crashes(world):
        if world.holds(seen, "day0/f0.xmp") == world.after["day0/f0.xmp"]:
            return seen.after_kill()
    raise AssertionError("no step replaced the first file")


def test_the_next_writing_command_recovers_by_itself_and_says_so() -> None:
    fs, world = _interrupted(), sidecars(2)
    assert unfinished(STATE, fs=fs) is not None
    change = FileChange("day1/f1.xmp", ChangeKind.SIDECAR, sha256(world.before["day1/f1.xmp"] or b""), b"next")
    outcome = perform(Plan((change,)), SHOOT, STATE, fs=fs)
    assert outcome.recovered is not None
    assert outcome.recovered.taken_back == ("day0/f0.xmp",)
    assert "was taken back" in outcome.recovered.sentence
    assert world.holds(fs, "day0/f0.xmp") == world.before["day0/f0.xmp"]
    assert world.holds(fs, "day1/f1.xmp") == b"next"


def test_a_run_that_finds_somebodys_work_while_recovering_stops_before_its_own_plan() -> None:
    from xmpsync.errors import DiskNeedsAttention

    fs = _interrupted()
    fs.place(f"{SHOOT}/day0/f0.xmp", FOREIGN)
    before = sha256(sidecars(2).before["day1/f1.xmp"] or b"")
    plan = Plan((FileChange("day1/f1.xmp", ChangeKind.SIDECAR, before, b"next"),))
    with pytest.raises(DiskNeedsAttention) as caught:
        perform(plan, SHOOT, STATE, fs=fs)
    assert "day0/f0.xmp" in str(caught.value)
    assert "originals" in str(caught.value)
    assert caught.value.exit_code == 4
    assert fs.read(SHOOT / "day0/f0.xmp") == FOREIGN
    assert fs.read(SHOOT / "day1/f1.xmp") != b"next"
    assert perform(plan, SHOOT, STATE, fs=fs).written == ("day1/f1.xmp",)  # told once, then the way is free


def test_recovery_without_an_interrupted_run_writes_nothing_at_all() -> None:
    fs = SimFS()
    fs.make_folder(str(SHOOT))
    fs.hook = lambda kind, path: pytest.fail(f"{kind} {path}")
    assert recover(SHOOT, STATE, fs=fs) is None
