"""A shoot folder may come from anybody: links, pipes, made-up manifests. The victim outside is untouched."""

from __future__ import annotations

import json
import os
import shutil
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.write.disk import AnyDisk, Shoot, corrected, packet
from tests.write.tinydng import tiny_dng
from xmpsync.disk import fence
from xmpsync.disk.files import require_real_folder
from xmpsync.disk.plain import read_named
from xmpsync.errors import DiskNeedsAttention, Refused, XmpsyncError
from xmpsync.write import embed
from xmpsync.write.dng_structure import EmbedRefused
from xmpsync.write.perform import perform
from xmpsync.write.plan import ChangeKind, FileChange, Plan, sha256
from xmpsync.write.recover import recover, unfinished
from xmpsync.write.rollback import perform_rollback, plan_rollback
from xmpsync.write.runs import RunState, list_runs, prune, verify_runs
from xmpsync.write.targets import why_unwritable

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="links and pipes of POSIX systems")


@pytest.fixture(params=["relative", "by path"], autouse=True)
def way_of_opening(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """The other way is that of systems without calls relative to an open folder, Windows among them."""
    monkeypatch.setattr(fence, "RELATIVE", fence.RELATIVE and request.param == "relative")


@pytest.fixture
def victim(tmp_path: Path) -> Path:
    """A folder outside the shoot with somebody's work in it."""
    folder = tmp_path / "victim"
    (folder / "deep").mkdir(parents=True)
    for name in ("a.xmp", "deep/b.xmp", "notes.txt", "c.dng"):
        (folder / name).write_bytes(tiny_dng() if name == "c.dng" else packet())
    return folder


def _seen(folder: Path) -> dict[str, tuple[int, bytes | None]]:
    return {
        str(path.relative_to(folder)): (path.stat().st_mode, path.read_bytes() if path.is_file() else None)
        for path in sorted(folder.rglob("*"))
    }


def _folder(shoot: Shoot, nth: int = -1) -> Path:
    return sorted((shoot.state / "runs").iterdir())[nth]


def _unended(shoot: Shoot, change: Callable[[dict[str, Any]], object]) -> Path:
    """A real run of one sidecar made unfinished, its manifest changed."""
    if not (shoot.root / "a.xmp").exists():
        shoot.put("a.xmp", packet())
    shoot.run(shoot.change("a.xmp", corrected(packet())))
    folder = _folder(shoot)
    (folder / "outcome.json").unlink()
    tree = json.loads((folder / "manifest.json").read_bytes())
    change(tree)
    (folder / "manifest.json").write_text(json.dumps(tree))
    return folder


def _every_command(shoot: Shoot) -> None:
    """What commands do with a state folder; only errors for people may come out."""
    for act in (
        lambda: list_runs(shoot.state),
        lambda: verify_runs(shoot.state),
        lambda: unfinished(shoot.state),
        lambda: recover(shoot.root, shoot.state),
        lambda: perform_rollback(plan_rollback(shoot.root, shoot.state), shoot.root, shoot.state),
        lambda: prune(shoot.state, 1),
        lambda: shoot.run(shoot.change("later.xmp", packet(5100))),
    ):
        try:
            act()
        except XmpsyncError as error:
            assert error.what and error.next_step


@pytest.mark.parametrize("what", ["run", "originals", "inside originals"])
def test_pruning_removes_links_and_never_what_they_lead_to(shoot: Shoot, victim: Path, what: str) -> None:
    before = _seen(victim)
    for k in range(3):
        shoot.run(shoot.change("a.xmp", packet(4000 + k)))
    folder = _folder(shoot, 0)
    place = {"run": folder, "originals": folder / "originals", "inside originals": folder / "originals" / "x"}[what]
    if place.exists():
        shutil.rmtree(place)
    place.parent.mkdir(exist_ok=True)
    place.symlink_to(victim, target_is_directory=True)
    prune(shoot.state, 1)
    assert _seen(victim) == before
    _every_command(shoot)
    assert _seen(victim) == before


@pytest.mark.parametrize("path", ["day/a.xmp", "link.xmp", "day/new.xmp", "dangling.xmp"])
@pytest.mark.parametrize("after", ["ours", None])
def test_recovery_through_links_touches_nothing_outside(
    shoot: Shoot, victim: Path, path: str, after: str | None
) -> None:
    (shoot.root / "day").symlink_to(victim, target_is_directory=True)
    (shoot.root / "link.xmp").symlink_to(victim / "a.xmp")
    (shoot.root / "dangling.xmp").symlink_to(victim / "made.xmp")
    before = _seen(victim)

    def change(tree: dict[str, Any]) -> None:
        (entry,) = tree["files"]
        entry["path"], entry["backup"] = path, f"originals/{path}"
        entry["after_sha256"] = sha256(packet()) if after else None  # what the victim holds: "ours", to be taken back

    folder = _unended(shoot, change)
    (folder / "originals" / path).parent.mkdir(exist_ok=True)
    (folder / "originals" / "a.xmp").rename(folder / "originals" / path)
    report = recover(shoot.root, shoot.state)
    assert report is not None and (report.left or report.set_aside)
    _every_command(shoot)
    assert _seen(victim) == before


@pytest.mark.parametrize("kind", [ChangeKind.SIDECAR, ChangeKind.EMBEDDED])
def test_a_run_writes_nothing_behind_links(shoot: Shoot, victim: Path, kind: ChangeKind) -> None:
    (shoot.root / "day").symlink_to(victim, target_is_directory=True)
    (shoot.root / "c.dng").symlink_to(victim / "c.dng")
    before = _seen(victim)
    paths = ("day/c.dng", "c.dng") if kind is ChangeKind.EMBEDDED else ("day/a.xmp", "day/new.xmp")
    changes = []
    for path in paths:
        target = shoot.root / path
        digest = sha256(target.read_bytes()) if target.exists() else None
        changes.append(FileChange(path, kind, digest, corrected(packet())))
    outcome = perform(Plan(tuple(changes)), shoot.root, shoot.state)
    assert len(outcome.left_alone) == len(paths)
    assert all("link" in item.reason for item in outcome.left_alone)
    assert _seen(victim) == before


@pytest.mark.parametrize("hard", [False, True])
def test_a_lock_that_is_another_file_is_not_emptied(shoot: Shoot, victim: Path, hard: bool) -> None:
    before = _seen(victim)
    shoot.state.mkdir()
    if hard:
        (shoot.state / "lock").hardlink_to(victim / "notes.txt")
    else:
        (shoot.state / "lock").symlink_to(victim / "notes.txt")
    with pytest.raises(DiskNeedsAttention, match="move away"):
        shoot.run(shoot.change("a.xmp", packet()))
    assert _seen(victim) == before


def test_a_state_folder_that_is_a_link_is_refused(shoot: Shoot, victim: Path) -> None:
    before = _seen(victim)
    shoot.state.symlink_to(victim, target_is_directory=True)
    with pytest.raises(Refused, match="--state"):
        require_real_folder(shoot.state)
    _every_command(shoot)
    assert _seen(victim) == before


@pytest.mark.parametrize("name", ["manifest.json", "outcome.json", "written.pack", "originals", "pruned"])
@pytest.mark.parametrize("kind", ["pipe", "link", "endless link", "folder"])
def test_another_kind_of_file_hangs_and_breaks_nothing(shoot: Shoot, victim: Path, name: str, kind: str) -> None:
    before = _seen(victim)
    shoot.run(shoot.change("a.xmp", packet()))
    shoot.run(shoot.change("a.xmp", packet(4100)))
    path = _folder(shoot) / name
    if path.is_dir():
        shutil.rmtree(path)
    path.unlink(missing_ok=True)
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to(victim / "notes.txt" if kind == "link" else "/dev/zero")
    _every_command(shoot)
    assert shoot.run(shoot.change("b.xmp", packet())).written == ("b.xmp",)
    assert _seen(victim) == before


def _set(**values: object) -> Callable[[dict[str, Any]], object]:
    return lambda tree: tree["files"][0].update(values)


ODD_PATHS = ("../a.xmp", "/etc/a.xmp", "", ".", "a\0.xmp", "a//b.xmp", "x" * 5000)
ODD: dict[str, Callable[[dict[str, Any]], object]] = {
    **{f"path {text!r}"[:30]: _set(path=text) for text in ODD_PATHS},
    "path of a RAW": _set(path="a.nef"),
    "path in a hidden folder": _set(path=".config/a.xmp"),
    "a backup that leaves its folder": _set(backup="../../../../victim/notes.txt", backup_sha256=sha256(packet())),
    "a piece of 10 TB": _set(written={"at": 0, "size": 10**13, "sha256": "0" * 64}),
    "a piece before the start": _set(written={"at": -5, "size": 10, "sha256": "0" * 64}),
    "a text where a number belongs": _set(written={"at": "0", "size": 10, "sha256": "0" * 64}),
    "a number where a text belongs": _set(before_sha256=7),
    "an unknown kind": _set(kind="device"),
    "an endless number": lambda tree: tree["options"].update(x=10**400),
    "a list of options": lambda tree: tree.update(options=[]),
    "deep options": lambda tree: tree["options"].update(x=json.loads("[" * 50 + "]" * 50)),
    "twice the same file": lambda tree: tree["files"].append(dict(tree["files"][0])),
    "it undoes itself": lambda tree: tree.update(undoes=tree["run_id"]),
}  # fmt: skip


@pytest.mark.parametrize("what", ODD)
def test_a_made_up_manifest_is_named_and_stops_no_later_run(shoot: Shoot, what: str) -> None:
    folder = _unended(shoot, ODD[what])
    before = shoot.everything()
    report = recover(shoot.root, shoot.state)
    assert report is not None
    assert folder.name in report.sentence and report.set_aside
    assert shoot.everything() == before
    assert list_runs(shoot.state)[-1].state is RunState.DAMAGED
    assert shoot.run(shoot.change("b.xmp", packet())).written == ("b.xmp",)


@pytest.mark.parametrize("spoil", ["{}", "newer"])
def test_a_damaged_newest_run_stops_rollback_and_an_older_one_goes_back_by_its_name(shoot: Shoot, spoil: str) -> None:
    shoot.put("a.xmp", packet())
    shoot.run(shoot.change("a.xmp", corrected(packet())))
    shoot.run(shoot.change("a.xmp", packet(4200)))
    path = _folder(shoot) / "manifest.json"
    tree = json.loads(path.read_bytes())
    path.write_text("{}" if spoil == "{}" else json.dumps({**tree, "schema": 2}))
    with pytest.raises(DiskNeedsAttention, match=r"0002-.*name it"):
        plan_rollback(shoot.root, shoot.state)
    assert plan_rollback(shoot.root, shoot.state, "1").run_id.startswith("0001")


def test_a_killed_run_that_its_parent_has_not_asked_for_is_recovered(shoot: Shoot) -> None:
    """Until it is asked for, a dead process keeps its number (wait(2)); the kernel's lock is free all the same."""
    _unended(shoot, lambda tree: None)
    script = (
        "import os, signal, sys; from pathlib import Path; from xmpsync.disk.files import RealFileSystem;"
        " from xmpsync.write import lock\n"
        "with lock.held(Path(sys.argv[1]), RealFileSystem.around(Path(sys.argv[1]))):\n"
        " os.kill(os.getpid(), signal.SIGKILL)"
    )
    with subprocess.Popen([sys.executable, "-c", script, str(shoot.state)]) as child:
        os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)  # dead, and left unreaped
        assert b'"pid"' in (shoot.state / "lock").read_bytes()
        found = unfinished(shoot.state)
        assert found is not None and not found.at_work
        report = recover(shoot.root, shoot.state)
    assert report is not None and report.taken_back == ("a.xmp",)


def with_tag(data: bytes, tag: int, count: int, value: int) -> bytes:
    """The file with one tag's count and value replaced; TIFF 6.0, section 2."""
    (at,) = struct.unpack_from("<I", data, 4)
    (entries,) = struct.unpack_from("<H", data, at)
    out = bytearray(data)
    for k in range(entries):
        here = at + 2 + 12 * k
        if struct.unpack_from("<H", data, here)[0] == tag:
            struct.pack_into("<II", out, here + 4, count, value)
            return bytes(out)
    raise AssertionError("no such tag")


@pytest.mark.parametrize("where", ["pixels", "the strips' own directory"])
def test_a_packet_that_lies_on_pixels_is_refused(shoot: Shoot, where: str) -> None:
    data = tiny_dng("<", packet(), width=80, height=80)
    (directory,) = struct.unpack_from("<I", data, 4)
    spoilt = with_tag(data, 700, 6000, 8) if where == "pixels" else with_tag(data, 273, 1, directory)
    path = shoot.put("a.dng", spoilt)
    with pytest.raises(EmbedRefused, match="overlaps image data"):
        embed.make_patch(AnyDisk(), path, packet())
    outcome = shoot.run(shoot.embedding("a.dng", corrected(packet())))
    assert outcome.left_alone and shoot.read("a.dng") == spoilt


def _with_sub_directory() -> tuple[bytes, int, int]:
    """A DNG with a second picture below the first (tag 330): the file, that directory's offset, its pixels' offset."""
    data = tiny_dng("<", packet(), width=80, height=80)
    (directory,) = struct.unpack_from("<I", data, 4)
    (entries,) = struct.unpack_from("<H", data, directory)
    pixels = len(data)
    body = data + bytes(range(200)) * 40
    below = len(body)
    tags = ((254, 4, 1, 1), (256, 3, 1, 80), (257, 3, 1, 100), (273, 4, 1, pixels), (278, 4, 1, 100), (279, 4, 1, 8000))
    body += struct.pack("<H", len(tags)) + b"".join(struct.pack("<HHII", *tag) for tag in tags) + bytes(4)
    old = data[directory + 2 : directory + 2 + 12 * entries]
    rows = [old[12 * k : 12 * k + 12] for k in range(entries)] + [struct.pack("<HHII", 330, 4, 1, below)]
    rows.sort(key=lambda row: struct.unpack_from("<H", row)[0])
    first = len(body) + len(body) % 2
    body += bytes(len(body) % 2) + struct.pack("<H", len(rows)) + b"".join(rows) + bytes(4)
    return body[:4] + struct.pack("<I", first) + body[8:], below, pixels


@pytest.mark.parametrize("where", ["the directory", "its pixels", "nowhere else"])
def test_a_packet_that_lies_on_a_sub_directory_is_refused(shoot: Shoot, where: str) -> None:
    """TIFF Technical Note 1: tag 330 holds offsets of directories that no chain leads to."""
    data, directory, pixels = _with_sub_directory()
    if where != "nowhere else":
        data = with_tag(data, 700, 70, directory if where == "the directory" else pixels + 100)
    path = shoot.put("a.dng", data)
    why = why_unwritable("a.dng", ChangeKind.EMBEDDED, shoot.root, AnyDisk())
    if where == "nowhere else":
        assert why is None and shoot.run(shoot.embedding("a.dng", corrected(packet()))).written == ("a.dng",)
        return
    assert why is not None and "overlaps" in why
    outcome = shoot.run(shoot.embedding("a.dng", corrected(packet())))
    assert outcome.left_alone and path.read_bytes() == data


class RenamesAndFails(AnyDisk):
    """The rename takes effect and then reports an error; with `syncs` False the folder cannot be synced after it."""

    def __init__(self, name: str, *, syncs: bool) -> None:
        super().__init__()
        self._name, self._syncs, self._hit = name, syncs, False

    def replace(self, source: Path, target: Path) -> None:
        super().replace(source, target)
        if target.name == self._name:
            self._hit = True
            raise OSError(5, "Input/output error")

    def sync_dir(self, path: Path) -> bool:
        if self._hit and not self._syncs:
            raise OSError(5, "Input/output error")
        return super().sync_dir(path)


def test_a_rename_that_takes_effect_and_reports_an_error_is_told_as_it_is(shoot: Shoot) -> None:
    change = shoot.change("a.xmp", packet())
    outcome = perform(Plan((change,)), shoot.root, shoot.state, fs=RenamesAndFails("outcome.json", syncs=True))
    assert outcome.written == ("a.xmp",)
    change = shoot.change("b.xmp", packet())
    with pytest.raises(DiskNeedsAttention, match="is complete") as caught:
        perform(Plan((change,)), shoot.root, shoot.state, fs=RenamesAndFails("outcome.json", syncs=False))
    assert "hold the new values" in str(caught.value)
    assert list_runs(shoot.state)[-1].state is RunState.COMPLETE


@pytest.mark.parametrize("kind", ["pipe", "device", "large"])
def test_a_named_file_is_plain_and_bounded(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "profile"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        path.symlink_to("/dev/zero")
    else:
        with path.open("wb") as file:
            file.truncate(1 << 40)
    with pytest.raises(OSError, match=r"plain file|larger"):
        read_named(path, 1 << 20)
