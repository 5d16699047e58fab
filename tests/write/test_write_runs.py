"""What the state folder remembers."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.write.disk import AnyDisk, Shoot, corrected, packet, rated
from tests.write.tinydng import tiny_dng
from xmpsync.disk.files import RealFileSystem
from xmpsync.errors import DiskNeedsAttention, WrongUsage
from xmpsync.write import layout, runs
from xmpsync.write.perform import perform
from xmpsync.write.plan import Plan, sha256
from xmpsync.write.recover import recover, unfinished
from xmpsync.write.rollback import perform_rollback, plan_rollback
from xmpsync.write.runs import RunState, list_runs, prune, remembered, verify_runs, written_by_us


def _folder(shoot: Shoot, nth: int) -> Path:
    return shoot.state / "runs" / list_runs(shoot.state)[nth].run_id


def test_a_shoot_without_state_has_no_runs_and_reading_makes_none(shoot: Shoot) -> None:
    assert list_runs(shoot.state) == ()
    assert remembered(shoot.state) is None
    assert verify_runs(shoot.state) == ()
    assert written_by_us(shoot.state) == {}
    assert unfinished(shoot.state) is None
    assert prune(shoot.state, keep=1) == ()
    assert not shoot.state.exists()


def test_a_clock_set_back_changes_no_order() -> None:
    late = layout.new_run_id([], datetime(2030, 1, 1, tzinfo=UTC))
    early = layout.new_run_id([late], datetime(2020, 1, 1, tzinfo=UTC))
    assert (late, early) == ("0001-20300101T000000Z", "0002-20200101T000000Z")
    many = [f"{k:04d}-20300101T000000Z" for k in (10000, 9999)]
    assert sorted(many, key=layout.run_number) == many[::-1]


def test_a_run_is_found_by_its_number_or_its_name() -> None:
    ids = ["0001-20300101T000000Z", "0012-20300101T000000Z"]
    assert layout.find_run(ids, "12") == layout.find_run(ids, "0012") == layout.find_run(ids, ids[1]) == ids[1]
    with pytest.raises(WrongUsage):
        layout.find_run(ids, "2")


def test_other_names_in_the_folder_of_runs_are_ignored(shoot: Shoot) -> None:
    shoot.run(shoot.change("a.xmp", packet()))
    (shoot.state / "runs" / "my notes").mkdir()
    assert len(list_runs(shoot.state)) == 1


def test_the_newest_run_that_was_not_rolled_back_is_remembered(shoot: Shoot) -> None:
    shoot.run(shoot.change("a.xmp", packet()), reference="a")
    shoot.run(shoot.change("b.xmp", packet()), reference="b")
    newest = remembered(shoot.state)
    assert newest is not None and newest.options == {"reference": "b"}
    perform_rollback(plan_rollback(shoot.root, shoot.state), shoot.root, shoot.state)
    older = remembered(shoot.state)
    assert older is not None and older.options == {"reference": "a"} and older.run_id != newest.run_id
    perform_rollback(plan_rollback(shoot.root, shoot.state), shoot.root, shoot.state)
    assert remembered(shoot.state) is None


def test_bytes_of_ours_lead_to_the_original_baseline_across_runs(shoot: Shoot) -> None:
    one, two, three = corrected(packet(), 6000), corrected(packet(), 6100), corrected(packet(), 6200)
    shoot.put("a.xmp", packet())
    shoot.run(shoot.change("a.xmp", one, baseline="camera"))
    shoot.run(shoot.change("a.xmp", two, baseline="not this one"))
    assert written_by_us(shoot.state)["a.xmp"] == {
        sha256(one): {"baseline": "camera"},
        sha256(two): {"baseline": "camera"},
    }
    shoot.put("a.xmp", rated(two))  # somebody saved: those bytes are theirs, and a baseline of their own
    shoot.run(shoot.change("a.xmp", three, baseline="theirs"))
    found = written_by_us(shoot.state)["a.xmp"]
    assert found[sha256(three)] == {"baseline": "theirs"}
    assert sha256(rated(two)) not in found


def test_a_rollback_field_by_field_leads_to_the_same_baseline_as_the_run_below(shoot: Shoot) -> None:
    one, two = corrected(packet(), 6000), corrected(packet(), 6100)
    shoot.put("a.xmp", packet())
    shoot.run(shoot.change("a.xmp", one, baseline="camera"))
    shoot.run(shoot.change("a.xmp", two, baseline="x"))
    shoot.put("a.xmp", rated(two))
    perform_rollback(plan_rollback(shoot.root, shoot.state), shoot.root, shoot.state)
    assert shoot.read("a.xmp") == rated(one)
    assert written_by_us(shoot.state)["a.xmp"][sha256(rated(one))] == {"baseline": "camera"}
    perform_rollback(plan_rollback(shoot.root, shoot.state, "1", force=True), shoot.root, shoot.state)
    assert shoot.read("a.xmp") == rated(packet())
    assert sha256(rated(packet())) not in written_by_us(shoot.state)["a.xmp"]  # the original itself is nobody's


def test_what_an_interrupted_run_wrote_is_not_ours(shoot: Shoot) -> None:
    shoot.run(shoot.change("a.xmp", packet(), baseline=1))
    (_folder(shoot, 0) / "outcome.json").unlink()
    assert written_by_us(shoot.state) == {}
    assert remembered(shoot.state) is None
    assert list_runs(shoot.state)[0].state is RunState.UNFINISHED
    recover(shoot.root, shoot.state)
    assert list_runs(shoot.state)[0].state is RunState.RECOVERED
    assert written_by_us(shoot.state) == {}


def test_backups_verify_and_damage_is_named(shoot: Shoot) -> None:
    shoot.put("a.xmp", packet())
    shoot.put("b.xmp", packet())
    shoot.run(*(shoot.change(name, corrected(packet())) for name in ("a.xmp", "b.xmp")))
    assert verify_runs(shoot.state) == ()
    folder = _folder(shoot, 0)
    (folder / "originals" / "a.xmp").write_bytes(b"rotten")
    assert [(d.run_id, d.path) for d in verify_runs(shoot.state)] == [(folder.name, "a.xmp")]
    pack = (folder / "written.pack").read_bytes()
    (folder / "written.pack").write_bytes(pack[:-1] + b"?")
    assert [d.path for d in verify_runs(shoot.state)] == ["a.xmp", "b.xmp"]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: b"",
        lambda text: text[: len(text) // 2],
        lambda text: b"\xff" + text,
        lambda text: b"[]",
        lambda text: text.replace(b'"files"', b'"fles"'),
        lambda text: text.replace(b'"run_id": "0001', b'"run_id": "0002'),
        lambda text: b"[" * 200_000,
    ],
)
def test_a_manifest_that_cannot_be_read_is_damage_and_stops_no_later_run(shoot: Shoot, spoil: object) -> None:
    shoot.run(shoot.change("a.xmp", packet()))
    folder = _folder(shoot, 0)
    manifest = folder / "manifest.json"
    manifest.write_bytes(spoil(manifest.read_bytes()))  # type: ignore[operator]
    assert [damage.path for damage in verify_runs(shoot.state)] == ["manifest.json"]
    assert list_runs(shoot.state)[0].state is RunState.DAMAGED
    shoot.run(shoot.change("b.xmp", packet()))  # it had ended: nothing is open
    (folder / "outcome.json").unlink()
    assert unfinished(shoot.state) is not None
    outcome = shoot.run(shoot.change("c.xmp", packet()))
    assert outcome.recovered is not None
    assert folder.name in outcome.recovered.sentence
    assert "nothing of it was taken back" in outcome.recovered.sentence
    assert shoot.read("a.xmp") == shoot.read("c.xmp") == packet()
    assert unfinished(shoot.state) is None
    assert shoot.run(shoot.change("d.xmp", packet())).recovered is None  # said once


def test_a_manifest_of_a_newer_tool_is_not_misread(shoot: Shoot) -> None:
    shoot.run(shoot.change("a.xmp", packet()))
    path = _folder(shoot, 0) / "manifest.json"
    tree = json.loads(path.read_bytes())
    path.write_text(json.dumps({**tree, "schema": 2}))
    assert "newer version" in verify_runs(shoot.state)[0].what


def test_an_outcome_that_does_not_fit_is_damage(shoot: Shoot) -> None:
    shoot.run(shoot.change("a.xmp", packet()))
    path = _folder(shoot, 0) / "outcome.json"
    path.write_text(json.dumps({**json.loads(path.read_bytes()), "results": []}))
    assert "does not fit" in verify_runs(shoot.state)[0].what


def test_pruning_gives_up_old_originals_and_keeps_what_is_remembered(shoot: Shoot) -> None:
    for k in range(4):
        shoot.run(shoot.change("a.xmp", packet(4000 + k), baseline=k), k=k)
    known = written_by_us(shoot.state)
    abandoned = shoot.state / "runs" / "0000-20200101T000000Z"
    (abandoned / "originals").mkdir(parents=True)
    (abandoned / "originals" / "a.xmp").write_bytes(b"")
    given_up = prune(shoot.state, keep=2)
    summaries = list_runs(shoot.state)
    assert given_up == (abandoned.name, summaries[0].run_id, summaries[1].run_id)
    assert [run.has_backups for run in summaries] == [False, False, True, True]
    assert written_by_us(shoot.state) == known
    assert verify_runs(shoot.state) == ()
    assert sorted(path.name for path in _folder(shoot, 1).iterdir()) == ["manifest.json", "outcome.json", "pruned"]
    assert prune(shoot.state, keep=2) == ()
    with pytest.raises(WrongUsage):
        prune(shoot.state, keep=0)


def test_pruning_leaves_an_open_run_alone(shoot: Shoot) -> None:
    for k in range(2):
        shoot.run(shoot.change("a.xmp", packet(4000 + k)))
    (_folder(shoot, 0) / "outcome.json").unlink()
    assert prune(shoot.state, keep=1) == ()
    assert (_folder(shoot, 0) / "written.pack").exists()


def test_pruning_interrupted_after_its_mark_is_still_a_sound_state(
    shoot: Shoot, monkeypatch: pytest.MonkeyPatch
) -> None:
    for k in range(2):
        shoot.run(shoot.change("a.xmp", packet(4000 + k)))

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(RealFileSystem, "remove", stop)
    with pytest.raises(KeyboardInterrupt):
        prune(shoot.state, keep=1)
    assert verify_runs(shoot.state) == ()
    assert list_runs(shoot.state)[0].has_backups is False


def test_abandoned_runs_are_listed_and_their_number_is_not_used_again(shoot: Shoot) -> None:
    (shoot.state / "runs" / "0005-20200101T000000Z").mkdir(parents=True)
    (summary,) = list_runs(shoot.state)
    assert (summary.state, summary.paths) == (RunState.ABANDONED, ())
    assert written_by_us(shoot.state) == {}
    assert unfinished(shoot.state) is None
    outcome = shoot.run(shoot.change("a.xmp", packet()))
    assert str(outcome.run_id).startswith("0006-")


class _Unreadable(AnyDisk):
    def list_dir(self, path: Path) -> tuple[str, ...]:
        raise PermissionError(13, os.strerror(13), str(path))


@pytest.mark.parametrize("read", [list_runs, remembered, verify_runs, written_by_us, unfinished])
def test_a_state_folder_that_cannot_be_read_is_a_clear_error(shoot: Shoot, read: object) -> None:
    shoot.run(shoot.change("a.xmp", packet()))
    with pytest.raises(DiskNeedsAttention, match="cannot be read"):
        read(shoot.state, fs=_Unreadable())  # type: ignore[operator]


def test_two_open_runs_are_taken_back_newest_first(shoot: Shoot) -> None:
    """Only where two machines wrote past each other's lock; the chain is undone in its order all the same."""
    shoot.put("a.xmp", packet())
    shoot.run(shoot.change("a.xmp", corrected(packet(), 6000)))
    shoot.run(shoot.change("a.xmp", corrected(packet(), 6100)))
    for nth in range(2):
        (_folder(shoot, nth) / "outcome.json").unlink()
    report = recover(shoot.root, shoot.state)
    assert report is not None
    assert len(report.run_ids) == 2
    assert shoot.read("a.xmp") == packet()


def test_a_shoot_that_was_moved_takes_its_runs_along(shoot: Shoot, tmp_path: Path) -> None:
    shoot.put("a.xmp", packet())
    shoot.run(shoot.change("a.xmp", corrected(packet())))
    moved = Shoot(shoot.root.rename(tmp_path / "moved"))
    perform_rollback(plan_rollback(moved.root, moved.state), moved.root, moved.state)
    assert moved.read("a.xmp") == packet()


def test_recovery_tells_what_it_left_and_where_the_originals_are(shoot: Shoot) -> None:
    shoot.put("a.xmp", packet())
    shoot.put("b.xmp", packet())
    shoot.run(
        *(shoot.change(name, corrected(packet())) for name in ("a.xmp", "b.xmp")), shoot.change("c.xmp", packet())
    )
    folder = _folder(shoot, 0)
    (folder / "outcome.json").unlink()
    shoot.put("a.xmp", b"somebody's")
    (shoot.root / "c.xmp").unlink()
    (folder / "originals" / "b.xmp").write_bytes(b"rotten")
    report = recover(shoot.root, shoot.state)
    assert report is not None
    assert report.exit_code == 4
    assert report.untouched == ("c.xmp",)
    reasons = {item.name: item.reason for item in report.left}
    assert reasons["a.xmp"] == "it holds neither the old nor the new bytes"
    assert "does not have the hash" in reasons["b.xmp"]
    assert str(folder / "originals") in report.sentence
    assert shoot.read("a.xmp") == b"somebody's"
    assert shoot.read("b.xmp") == corrected(packet())
    assert list_runs(shoot.state)[0].left_alone == ("a.xmp", "b.xmp")


def test_recovery_hears_and_reports_files_that_are_gone_or_held(shoot: Shoot) -> None:
    shoot.put("a.xmp", packet())
    shoot.run(shoot.change("a.xmp", corrected(packet())))
    (_folder(shoot, 0) / "outcome.json").unlink()
    (shoot.root / "a.xmp").unlink()
    heard: list[object] = []
    report = recover(shoot.root, shoot.state, listener=heard.append)
    assert report is not None
    assert report.left[0].reason == "it is gone"
    assert len(heard) == 1


def test_a_run_in_a_folder_that_vanished_is_recovered_as_far_as_it_goes(shoot: Shoot) -> None:
    shoot.put("day/a.xmp", packet())
    shoot.run(shoot.change("day/a.xmp", corrected(packet())))
    (_folder(shoot, 0) / "outcome.json").unlink()
    (shoot.root / "day" / "a.xmp").unlink()
    (shoot.root / "day").rmdir()
    report = recover(shoot.root, shoot.state)
    assert report is not None
    assert [item.name for item in report.left] == ["day/a.xmp"]


def test_a_file_saved_right_while_it_is_taken_back_is_left(shoot: Shoot) -> None:
    shoot.put("a.xmp", packet())
    shoot.run(shoot.change("a.xmp", corrected(packet())))
    (_folder(shoot, 0) / "outcome.json").unlink()

    class Saving(AnyDisk):
        def copy_attributes(self, model: Path, target: Path) -> bool:
            shoot.put("a.xmp", b"just saved")
            return super().copy_attributes(model, target)

    report = recover(shoot.root, shoot.state, fs=Saving())
    assert report is not None
    assert report.left[0].reason == "it is being changed right now"
    assert shoot.read("a.xmp") == b"just saved"


def test_summaries_show_the_options_of_a_run(shoot: Shoot) -> None:
    perform(Plan((shoot.change("a.xmp", packet()),), {"o": [1, None]}, "3.1"), shoot.root, shoot.state)
    (summary,) = runs.list_runs(shoot.state)
    assert (summary.options, summary.tool_version, summary.command) == ({"o": [1, None]}, "3.1", "correct")
    assert datetime.fromisoformat(summary.time).tzinfo is not None


def test_a_half_written_outcome_under_its_other_name_is_in_nobodys_way(shoot: Shoot) -> None:
    shoot.put("a.xmp", packet())
    shoot.run(shoot.change("a.xmp", corrected(packet())))
    (_folder(shoot, 0) / "outcome.json").rename(_folder(shoot, 0) / "outcome.json.tmp")
    assert recover(shoot.root, shoot.state) is not None
    assert shoot.read("a.xmp") == packet()


def test_a_half_made_run_that_cannot_be_removed_is_abandoned(shoot: Shoot) -> None:
    class Full(AnyDisk):
        def remove(self, path: Path) -> None:
            raise OSError(5, "Input/output error")

        def replace(self, source: Path, target: Path) -> None:
            raise OSError(28, "No space left on device")

    with pytest.raises(DiskNeedsAttention, match="No space left"):
        perform(Plan((shoot.change("a.xmp", packet()),)), shoot.root, shoot.state, fs=Full())
    assert list_runs(shoot.state)[0].state is RunState.ABANDONED
    assert shoot.everything() == {}


def test_a_manifest_that_lacks_what_changed_in_a_raw_is_set_aside(shoot: Shoot) -> None:
    shoot.put("a.dng", tiny_dng())
    shoot.run(shoot.embedding("a.dng", packet()))
    path = _folder(shoot, 0) / "manifest.json"
    tree = json.loads(path.read_bytes())
    tree["files"][0]["patch"] = None
    path.write_text(json.dumps(tree))
    (_folder(shoot, 0) / "outcome.json").unlink()
    after = shoot.read("a.dng")
    report = recover(shoot.root, shoot.state)
    assert report is not None
    assert "lacks what changed inside the file" in report.sentence
    assert shoot.read("a.dng") == after
