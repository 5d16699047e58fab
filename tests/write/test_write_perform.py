"""A plan on a real disk: what is written, what is refused, what is left alone."""

from __future__ import annotations

import json
import os
import stat
import sys
from pathlib import Path

import pytest

from tests.write.disk import AnyDisk, Shoot, corrected, packet
from xmpsync.errors import DiskNeedsAttention, LeftAlone, Refused
from xmpsync.write.outcome import Progress
from xmpsync.write.perform import perform
from xmpsync.write.plan import ChangeKind, FileChange, Plan, sha256
from xmpsync.write.runs import list_runs, verify_runs

posix = pytest.mark.skipif(sys.platform == "win32", reason="modes, links and raw names are of POSIX systems")


class Meddler(AnyDisk):
    """Does `deed` once, right before the step `kind` on a file whose name ends in `suffix`."""

    def __init__(self, kind: str, suffix: str, deed: object) -> None:
        super().__init__()
        self._kind, self._suffix, self._deed = kind, suffix, deed

    def _meddle(self, kind: str, path: Path) -> None:
        if self._deed is not None and kind == self._kind and path.name.endswith(self._suffix):
            deed, self._deed = self._deed, None
            deed()  # type: ignore[operator]

    def copy_attributes(self, model: Path, target: Path) -> bool:
        self._meddle("copy_attributes", model)
        return super().copy_attributes(model, target)

    def sync_dir(self, path: Path) -> bool:
        self._meddle("sync_dir", path)
        return super().sync_dir(path)


def test_a_run_writes_creates_and_keeps_the_originals(shoot: Shoot) -> None:
    old = packet()
    shoot.put("day/a.xmp", old)
    outcome = shoot.run(shoot.change("day/a.xmp", corrected(old)), shoot.change("day/new.xmp", packet()), k=1)
    assert outcome.written == ("day/a.xmp", "day/new.xmp")
    assert outcome.created == ("day/new.xmp",)
    assert (outcome.left_alone, outcome.removed, outcome.exit_code, outcome.recovered) == ((), (), 0, None)
    assert shoot.everything() == {"day/a.xmp": corrected(old), "day/new.xmp": packet()}
    kept = shoot.state / "runs" / str(outcome.run_id) / "originals" / "day" / "a.xmp"
    assert kept.read_bytes() == old  # under its own name: found by hand
    assert verify_runs(shoot.state) == ()


def test_the_listener_hears_every_file(shoot: Shoot) -> None:
    heard: list[Progress] = []
    changes = tuple(shoot.change(f"{k}.xmp", packet()) for k in range(3))
    perform(Plan(changes), shoot.root, shoot.state, listener=heard.append)
    assert [(p.stage, p.done, p.total, p.path) for p in heard] == [("write", k + 1, 3, f"{k}.xmp") for k in range(3)]


def test_one_changed_target_refuses_the_whole_run(shoot: Shoot) -> None:
    for name in ("a", "b", "c"):
        shoot.put(f"{name}.xmp", packet())
    changes = [shoot.change(f"{name}.xmp", corrected(packet())) for name in ("a", "b", "c")]
    shoot.put("b.xmp", packet(4100))
    shoot.root.joinpath("c.xmp").unlink()
    with pytest.raises(Refused) as caught:
        shoot.run(*changes)
    assert caught.value.exit_code == 3
    assert "b.xmp (other bytes)" in str(caught.value)
    assert "c.xmp (gone)" in str(caught.value)
    assert "Nothing was written." in str(caught.value)
    assert shoot.everything() == {"a.xmp": packet(), "b.xmp": packet(4100)}
    assert list_runs(shoot.state) == ()


def test_a_file_that_appeared_where_one_was_to_be_made_refuses_the_run(shoot: Shoot) -> None:
    change = shoot.change("a.xmp", packet())
    shoot.put("a.xmp", b"somebody was first")
    with pytest.raises(Refused, match=r"a\.xmp \(new\)"):
        shoot.run(change)
    assert shoot.read("a.xmp") == b"somebody was first"


def test_a_folder_that_is_gone_refuses_the_run(shoot: Shoot) -> None:
    with pytest.raises(Refused, match="its folder is gone"):
        shoot.run(shoot.change("nowhere/a.xmp", packet()))
    assert not shoot.root.joinpath("nowhere").exists()


def test_many_changed_targets_are_counted(shoot: Shoot) -> None:
    changes = [FileChange(f"{k}.xmp", ChangeKind.SIDECAR, sha256(b"x"), b"y") for k in range(25)]
    with pytest.raises(Refused, match=r"25 of 25 files .* and 15 more"):
        shoot.run(*changes)


def test_a_file_saved_right_before_its_own_replace_is_left_alone_and_the_others_go_on(shoot: Shoot) -> None:
    for name in ("a", "b"):
        shoot.put(f"{name}.xmp", packet())
    plan = Plan(tuple(shoot.change(f"{name}.xmp", corrected(packet())) for name in ("a", "b")))
    fs = Meddler("copy_attributes", "a.xmp", lambda: shoot.put("a.xmp", b"just saved"))
    outcome = perform(plan, shoot.root, shoot.state, fs=fs)
    assert outcome.written == ("b.xmp",)
    assert outcome.left_alone == (LeftAlone("a.xmp", "another program changed it while this run was at work"),)
    assert outcome.exit_code == 1
    assert shoot.everything() == {"a.xmp": b"just saved", "b.xmp": corrected(packet())}
    (run,) = list_runs(shoot.state)
    assert (run.paths, run.left_alone) == (("b.xmp",), ("a.xmp",))


def test_a_plan_without_changes_makes_no_run(shoot: Shoot) -> None:
    shoot.put("a.xmp", packet())
    outcome = shoot.run(shoot.change("a.xmp", packet()))
    assert outcome.run_id is None
    assert list_runs(shoot.state) == ()


@pytest.mark.parametrize("path", ["../a.xmp", "/etc/a.xmp", "day/../../a.xmp", "", "a\0.xmp"])
def test_a_path_that_leaves_the_shoot_is_a_bug_and_stops_everything(shoot: Shoot, path: str) -> None:
    with pytest.raises(ValueError, match="the path"):
        shoot.run(FileChange(path, ChangeKind.SIDECAR, None, b"x"))


@posix
def test_mode_stays_and_the_modification_time_is_new(shoot: Shoot) -> None:
    path = shoot.put("a.xmp", packet())
    path.chmod(0o640)
    os.utime(path, (1_000_000_000, 1_000_000_000))
    shoot.run(shoot.change("a.xmp", corrected(packet())))
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert path.stat().st_mtime > 1_600_000_000


def test_the_modification_time_moves_on_even_from_a_time_in_the_future(shoot: Shoot) -> None:
    path = shoot.put("a.xmp", packet())
    future = 4_000_000_000
    os.utime(path, (future, future))
    shoot.run(shoot.change("a.xmp", corrected(packet())))
    assert path.stat().st_mtime >= future + 2  # FAT keeps two-second steps


@posix
@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root may give files away")
def test_the_owner_stays(shoot: Shoot) -> None:
    path = shoot.put("a.xmp", packet())
    os.chown(path, 12345, 23456)
    shoot.run(shoot.change("a.xmp", corrected(packet())))
    assert (path.stat().st_uid, path.stat().st_gid) == (12345, 23456)


def test_an_owner_that_cannot_be_kept_is_remarked(shoot: Shoot, monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(*_: object) -> None:
        raise PermissionError(1, "not yours")

    shoot.put("a.xmp", packet())
    monkeypatch.setattr(os, "fchown", forbidden, raising=False)
    outcome = shoot.run(shoot.change("a.xmp", corrected(packet())))
    assert outcome.written == ("a.xmp",)
    assert "another owner or mode" in outcome.remarks[0]


def test_an_attribute_that_fails_for_another_reason_leaves_the_file_alone(
    shoot: Shoot, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise OSError(5, "Input/output error")

    shoot.put("a.xmp", packet())
    monkeypatch.setattr(os, "fchmod", broken)
    outcome = shoot.run(shoot.change("a.xmp", corrected(packet())))
    assert outcome.left_alone[0].reason == "it could not be written: Input/output error"
    assert shoot.everything() == {"a.xmp": packet()}


@posix
@pytest.mark.skipif(sys.platform != "linux", reason="os.setxattr is of Linux")
def test_extended_attributes_stay(shoot: Shoot) -> None:
    path = shoot.put("a.xmp", packet())
    try:
        os.setxattr(path, "user.colour", b"red")
    except OSError:
        pytest.skip("this file system keeps no extended attributes")
    shoot.run(shoot.change("a.xmp", corrected(packet())))
    assert os.getxattr(path, "user.colour") == b"red"


@posix
def test_a_symbolic_link_stays_a_link_and_its_target_is_replaced(shoot: Shoot, tmp_path: Path) -> None:
    real = shoot.put("kept/elsewhere.xmp", packet())
    (shoot.root / "a.xmp").symlink_to(real)
    shoot.run(shoot.change("a.xmp", corrected(packet())))
    assert (shoot.root / "a.xmp").is_symlink()
    assert real.read_bytes() == corrected(packet())
    assert [path.name for path in real.parent.iterdir()] == ["elsewhere.xmp"]


@posix
def test_a_link_that_leads_out_of_the_shoot_is_left_alone(shoot: Shoot, tmp_path: Path) -> None:
    real = tmp_path / "elsewhere.xmp"
    real.write_bytes(packet())
    (shoot.root / "a.xmp").symlink_to(real)
    outcome = shoot.run(shoot.change("a.xmp", corrected(packet())))
    assert outcome.left_alone == (LeftAlone("a.xmp", "it is a link that leads out of the shoot"),)
    assert real.read_bytes() == packet()


@posix
def test_a_link_to_nothing_is_left_alone(shoot: Shoot, tmp_path: Path) -> None:
    (shoot.root / "a.xmp").symlink_to(shoot.root / "nothing.xmp")
    outcome = shoot.run(shoot.change("a.xmp", packet()))
    assert outcome.left_alone == (LeftAlone("a.xmp", "it is a link to a file that does not exist"),)
    assert not (shoot.root / "nothing.xmp").exists()


@posix
def test_a_link_to_itself_is_left_alone(shoot: Shoot) -> None:
    (shoot.root / "a.xmp").symlink_to("a.xmp")
    outcome = shoot.run(FileChange("a.xmp", ChangeKind.SIDECAR, None, packet()))
    assert outcome.left_alone[0].reason == "it is not a plain file"


def test_a_system_without_owners_needs_none(shoot: Shoot, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(os, "fchown", raising=False)
    shoot.put("a.xmp", packet())
    assert shoot.run(shoot.change("a.xmp", corrected(packet()))).remarks == ()


@posix
def test_a_hard_link_gets_a_file_of_its_own_and_the_other_name_keeps_the_old_bytes(
    shoot: Shoot, tmp_path: Path
) -> None:
    path = shoot.put("a.xmp", packet())
    os.link(path, tmp_path / "other.xmp")
    outcome = shoot.run(shoot.change("a.xmp", corrected(packet())))
    assert shoot.read("a.xmp") == corrected(packet())
    assert (tmp_path / "other.xmp").read_bytes() == packet()
    assert "2 names (hard links); the others keep the old bytes" in outcome.remarks[0]


@posix
def test_two_links_to_one_file_refuse_the_run(shoot: Shoot) -> None:
    shoot.put("a.xmp", packet())
    (shoot.root / "b.xmp").symlink_to("a.xmp")
    with pytest.raises(Refused, match=r"a\.xmp and b\.xmp are one file"):
        shoot.run(shoot.change("a.xmp", corrected(packet())), shoot.change("b.xmp", packet(5000)))
    assert shoot.read("a.xmp") == packet()


@pytest.mark.parametrize(("one", "other"), [("a.xmp", "A.XMP"), ("caf\u00e9.xmp", "cafe\u0301.xmp")])
def test_two_new_files_that_a_disk_ignoring_case_takes_for_one_refuse_the_run(
    shoot: Shoot, one: str, other: str
) -> None:
    with pytest.raises(Refused, match="are one file, or would be"):
        shoot.run(shoot.change(one, packet()), shoot.change(other, packet()))
    assert shoot.everything() == {}


@pytest.mark.skipif(sys.platform != "linux", reason="needs a disk that tells case apart")
def test_two_files_that_differ_by_case_and_both_exist_are_two_files(shoot: Shoot) -> None:
    shoot.put("a.xmp", packet(4000))
    shoot.put("A.xmp", packet(4100))
    outcome = shoot.run(
        shoot.change("a.xmp", corrected(packet(4000))), shoot.change("A.xmp", corrected(packet(4100), 6100))
    )
    assert shoot.everything() == {"a.xmp": corrected(packet(4000)), "A.xmp": corrected(packet(4100), 6100)}
    run = shoot.state / "runs" / str(outcome.run_id)
    assert (run / "originals" / "a.xmp").read_bytes() == packet(4000)
    assert (run / "originals-2" / "A.xmp").read_bytes() == packet(4100)  # the state may move to a disk ignoring case


@posix
@pytest.mark.skipif(sys.platform == "darwin", reason="its file systems refuse such names")
def test_a_name_that_is_no_unicode_comes_back_from_the_manifest(shoot: Shoot) -> None:
    name = os.fsdecode(b"M\xfcller \xff.xmp")
    shoot.put(name, packet())
    shoot.run(shoot.change(name, corrected(packet()), frame=name))
    (run,) = list_runs(shoot.state)
    assert run.paths == (name,)
    text = (shoot.state / "runs" / run.run_id / "manifest.json").read_bytes()
    assert text.isascii()
    entry = json.loads(text)["files"][0]
    assert os.fsencode(entry["path"]) == b"M\xfcller \xff.xmp"
    assert entry["note"] == {"frame": name}


@posix
def test_a_write_protected_file_is_left_alone(shoot: Shoot) -> None:
    shoot.put("a.xmp", packet()).chmod(0o444)
    shoot.put("b.xmp", packet())
    outcome = shoot.run(*(shoot.change(name, corrected(packet())) for name in ("a.xmp", "b.xmp")))
    assert outcome.left_alone == (LeftAlone("a.xmp", "it is write-protected"),)
    assert shoot.everything() == {"a.xmp": packet(), "b.xmp": corrected(packet())}


def test_a_folder_with_a_sidecars_name_is_left_alone(shoot: Shoot) -> None:
    (shoot.root / "a.xmp").mkdir()
    outcome = shoot.run(FileChange("a.xmp", ChangeKind.SIDECAR, None, b"x"))
    assert outcome.left_alone == (LeftAlone("a.xmp", "it is not a plain file"),)


class Closed(AnyDisk):
    """A disk on which `where` cannot be written (root may write anywhere, so permissions alone test nothing)."""

    def __init__(self, where: str) -> None:
        super().__init__()
        self._where = where

    def create(self, path: Path):  # type: ignore[no-untyped-def]
        if self._where in path.parts:
            raise PermissionError(13, "Permission denied", str(path))
        return super().create(path)

    def make_dir(self, path: Path) -> None:
        if self._where in path.parts:
            raise PermissionError(13, "Permission denied", str(path))
        super().make_dir(path)


def test_a_folder_that_cannot_be_written_leaves_its_files_alone(shoot: Shoot) -> None:
    shoot.put("closed/a.xmp", packet())
    shoot.put("open/b.xmp", packet())
    plan = Plan(tuple(shoot.change(path, corrected(packet())) for path in ("closed/a.xmp", "open/b.xmp")))
    outcome = perform(plan, shoot.root, shoot.root / "state", fs=_ClosedShootFolder("closed"))
    assert outcome.left_alone == (LeftAlone("closed/a.xmp", "it could not be written: Permission denied"),)
    assert outcome.written == ("open/b.xmp",)


class _ClosedShootFolder(Closed):
    def create(self, path: Path):  # type: ignore[no-untyped-def]
        if path.parent.name == self._where and path.name.startswith(".xmpsync-"):
            raise PermissionError(13, "Permission denied", str(path))
        return AnyDisk.create(self, path)

    def make_dir(self, path: Path) -> None:
        AnyDisk.make_dir(self, path)


def test_a_state_folder_that_cannot_be_made_stops_the_run_with_the_way_out(shoot: Shoot) -> None:
    shoot.put("a.xmp", packet())
    plan = Plan((shoot.change("a.xmp", corrected(packet())),))
    with pytest.raises(DiskNeedsAttention, match="--state DIR") as caught:
        perform(plan, shoot.root, shoot.state, fs=Closed(".xmpsync"))
    assert "Nothing was written." in str(caught.value)
    assert shoot.everything() == {"a.xmp": packet()}


def test_a_backup_that_cannot_be_made_stops_the_run_and_leaves_no_half_of_it(shoot: Shoot) -> None:
    shoot.put("a.xmp", packet())
    plan = Plan((shoot.change("a.xmp", corrected(packet())),))
    with pytest.raises(DiskNeedsAttention, match="could not be backed up") as caught:
        perform(plan, shoot.root, shoot.state, fs=Closed("originals"))
    assert "Nothing was written." in str(caught.value)
    assert shoot.everything() == {"a.xmp": packet()}
    assert list_runs(shoot.state) == ()


class NoFolderSync(AnyDisk):
    """A network file system: folders cannot be synced."""

    def sync_dir(self, path: Path) -> bool:
        return False


def test_a_disk_that_cannot_sync_folders_is_written_with_a_remark(shoot: Shoot) -> None:
    plan = Plan((shoot.change("a.xmp", packet()),))
    outcome = perform(plan, shoot.root, shoot.state, fs=NoFolderSync())
    assert outcome.written == ("a.xmp",)
    assert "cannot promise that names survive a power loss" in outcome.remarks[0]


def test_ctrl_c_takes_back_what_was_written(shoot: Shoot) -> None:
    for name in ("a", "b"):
        shoot.put(f"{name}.xmp", packet())
    plan = Plan(tuple(shoot.change(f"{name}.xmp", corrected(packet())) for name in ("a", "b")))

    def interrupt() -> None:
        assert shoot.read("a.xmp") == corrected(packet())
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        perform(plan, shoot.root, shoot.state, fs=Meddler("copy_attributes", "b.xmp", interrupt))
    assert shoot.everything() == {"a.xmp": packet(), "b.xmp": packet()}
    (run,) = list_runs(shoot.state)
    assert run.state == "recovered"


def test_raw_files_are_never_opened_for_writing(shoot: Shoot) -> None:
    """The interpreter's own audit events: every file opened for writing, renamed or removed is a sidecar or ours."""
    raw = shoot.put("a.dng", b"raw bytes")
    raw.chmod(0o444)
    touched: list[str] = []

    def audit(event: str, args: tuple[object, ...]) -> None:
        if not watching[0]:
            return
        if event == "open" and isinstance(args[2], int) and args[2] & (os.O_WRONLY | os.O_RDWR):
            touched.append(str(args[0]))
        elif event in ("os.rename", "os.remove", "os.truncate", "os.link"):
            touched.extend(map(str, args[:2]))

    watching = [True]
    sys.addaudithook(audit)  # cannot be removed again, only told to be quiet
    try:
        shoot.run(shoot.change("a.xmp", packet()), shoot.change("b.xmp", packet()))
    finally:
        watching[0] = False
    assert any(name.endswith("a.xmp") for name in touched)
    assert [name for name in touched if name.endswith(".dng")] == []
    assert raw.read_bytes() == b"raw bytes"


def test_many_files_take_steps_in_proportion(shoot: Shoot) -> None:
    """Every step on the disk is counted, not timed: eight times the files, at most eight times the steps."""

    class Counting(AnyDisk):
        n = 0

        def __getattribute__(self, name: str) -> object:
            if not name.startswith("_"):
                Counting.n += 1
            return super().__getattribute__(name)

    counts = []
    for n in (25, 200):
        Counting.n = 0
        changes = tuple(shoot.change(f"{n}/{k}.xmp", packet()) for k in range(n))
        (shoot.root / str(n)).mkdir()
        perform(Plan(changes), shoot.root, shoot.state, fs=Counting())
        counts.append(Counting.n)
    assert counts[1] <= 8 * counts[0]
