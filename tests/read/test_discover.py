"""Which frames a shoot holds and which sidecar is whose: every rule of "Frames and files"."""

from __future__ import annotations

import os
import random
import sys
from pathlib import Path

import pytest

from xmpsync.errors import Refused, WrongUsage
from xmpsync.read.discover import RAW_EXTENSIONS, Discovery, discover, is_raw_name
from xmpsync.read.limits import printable


def fill(shoot: Path, *names: str) -> Path:
    for name in names:
        path = shoot / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
    return shoot


def ids(found: Discovery) -> list[str]:
    return [frame.frame_id for frame in found.frames]


def sidecar_of(found: Discovery, frame_id: str) -> str | None:
    (frame,) = [f for f in found.frames if f.frame_id == frame_id]
    return None if frame.sidecar is None else frame.sidecar.name


def case_sensitive(folder: Path) -> bool:
    (folder / "CaSe").touch()
    sensitive = not (folder / "cAsE").exists()
    (folder / "CaSe").unlink()
    return sensitive


def test_subfolders_belong_to_the_shoot_and_hidden_ones_and_our_state_do_not(tmp_path: Path) -> None:
    fill(
        tmp_path, "a.nef", "card 2/b.CR3", "card 2/deep/c.dng", ".hidden/d.nef", ".xmpsync/runs/e.nef", "._a.nef",
        "notes.txt", "f.jpg", "g.tif", "nef",
    )  # fmt: skip
    found = discover(tmp_path)
    assert ids(found) == ["a.nef", "card 2/b.CR3", "card 2/deep/c.dng"]
    assert found.troubles == ()
    assert found.frames[1].raw == tmp_path / "card 2" / "b.CR3"
    assert found.frames[1].new_sidecar == tmp_path / "card 2" / "b.xmp"


def test_a_jpeg_beside_a_raw_is_ignored_and_the_shared_sidecar_is_the_raws(tmp_path: Path) -> None:
    fill(tmp_path, "a.nef", "a.jpg", "a.xmp", "b.jpg", "b.xmp")
    found = discover(tmp_path)
    assert ids(found) == ["a.nef"]
    assert sidecar_of(found, "a.nef") == "a.xmp"


@pytest.mark.parametrize("name", ["a.xmp", "a.XMP", "a.Xmp", "a.nef.xmp", "a.NEF.XMP"])
def test_a_sidecar_is_name_xmp_or_name_ext_xmp_in_any_case(tmp_path: Path, name: str) -> None:
    fill(tmp_path, "a.nef", name)
    assert sidecar_of(discover(tmp_path), "a.nef") == name


def test_two_raws_of_one_stem_fail_and_the_others_go_on(tmp_path: Path) -> None:
    fill(tmp_path, "a.nef", "a.dng", "a.xmp", "b.nef", "sub/a.nef")
    found = discover(tmp_path)
    assert ids(found) == ["b.nef", "sub/a.nef"]
    assert [p.frame_id for p in found.troubles] == ["a.dng", "a.nef"]
    assert "a.xmp" in found.troubles[0].what and "a.nef" in found.troubles[0].what
    assert found.troubles[0].next_step


def test_two_sidecars_of_one_raw_fail_and_the_others_go_on(tmp_path: Path) -> None:
    fill(tmp_path, "a.nef", "a.xmp", "a.nef.xmp", "b.nef")
    found = discover(tmp_path)
    assert ids(found) == ["b.nef"]
    assert "a.xmp and a.nef.xmp" in found.troubles[0].sentence


def test_sidecars_that_differ_in_case_alone_are_not_guessed_between(tmp_path: Path) -> None:
    if not case_sensitive(tmp_path):
        pytest.skip("this file system cannot hold both names")
    fill(tmp_path, "a.nef", "a.xmp", "a.XMP", "b.nef", "B.xmp", "b.xmp", "C.nef", "c.nef")
    found = discover(tmp_path)
    assert ids(found) == ["b.nef"]
    assert sidecar_of(found, "b.nef") == "b.xmp"  # its own case wins over another spelling
    assert [p.frame_id for p in found.troubles] == ["C.nef", "a.nef", "c.nef"]


def test_composed_and_decomposed_letters_are_the_same_name(tmp_path: Path) -> None:
    fill(tmp_path, "caf\u00e9.nef")
    (tmp_path / "cafe\u0301.xmp").write_bytes(b"x")
    assert sidecar_of(discover(tmp_path), "caf\u00e9.nef") == "cafe\u0301.xmp"


def test_a_folder_with_the_sidecars_name_is_a_problem(tmp_path: Path) -> None:
    fill(tmp_path, "a.nef", "a.xmp/inside.txt")
    found = discover(tmp_path)
    assert ids(found) == [] and "a.xmp" in found.troubles[0].what


def test_links_in_circles_end_and_a_folder_is_read_once(tmp_path: Path) -> None:
    fill(tmp_path, "card/a.nef")
    try:
        (tmp_path / "card" / "loop").symlink_to(tmp_path, target_is_directory=True)
        (tmp_path / "again").symlink_to(tmp_path / "card", target_is_directory=True)
        (tmp_path / "self").symlink_to("self")
    except OSError:
        pytest.skip("no symbolic links here")
    found = discover(tmp_path)
    assert len(found.frames) == 1 and found.troubles == ()


def test_a_folder_without_end_is_refused_and_its_way_in_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("xmpsync.read.discover.MOST_FOLDERS", 6)
    shoot, disk = tmp_path / "shoot", tmp_path / "disk"
    (shoot / "card").mkdir(parents=True)
    for k in range(9):
        (disk / "a" / str(k)).mkdir(parents=True)
    assert discover(shoot).frames == ()
    (shoot / "out").symlink_to(disk, target_is_directory=True)
    with pytest.raises(Refused, match="below out") as caught:
        discover(shoot)
    assert "link" in caught.value.next_step


def test_links_that_lead_nowhere_are_problems(tmp_path: Path) -> None:
    fill(tmp_path, "a.nef", "c.nef")
    try:
        (tmp_path / "b.nef").symlink_to(tmp_path / "gone.nef")
        (tmp_path / "c.xmp").symlink_to(tmp_path / "gone.xmp")
    except OSError:
        pytest.skip("no symbolic links here")
    found = discover(tmp_path)
    assert ids(found) == ["a.nef"]
    assert [p.frame_id for p in found.troubles] == ["b.nef", "c.nef"]


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="these systems refuse such names")
def test_names_that_are_not_utf8_keep_their_bytes_and_can_be_shown(tmp_path: Path) -> None:
    name = os.fsdecode(b"caf\xe9.nef")
    (tmp_path / name).write_bytes(b"x")
    found = discover(tmp_path)
    assert os.fsencode(found.frames[0].frame_id) == b"caf\xe9.nef"
    assert found.frames[0].raw.exists()
    assert printable(found.frames[0].frame_id) == "caf\\xe9.nef"
    printable(found.frames[0].frame_id).encode("utf-8")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser reads every folder")
def test_a_folder_that_cannot_be_read_is_a_problem_and_the_others_go_on(tmp_path: Path) -> None:
    fill(tmp_path, "a.nef", "locked/b.nef")
    (tmp_path / "locked").chmod(0)
    try:
        found = discover(tmp_path)
    finally:
        (tmp_path / "locked").chmod(0o700)
    assert ids(found) == ["a.nef"]
    assert found.troubles[0].frame_id == "locked" and "permission" in found.troubles[0].next_step


def test_a_folder_that_fails_while_it_is_read_is_a_problem(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(tmp_path, "a.nef", "locked/b.nef")
    real = os.scandir

    def scandir(path: Path) -> object:
        if Path(path).name == "locked":
            raise PermissionError(13, "Permission denied")
        return real(path)

    monkeypatch.setattr(os, "scandir", scandir)
    found = discover(tmp_path)
    assert ids(found) == ["a.nef"]
    assert "Permission denied" in found.troubles[0].what and found.troubles[0].frame_id == "locked"


def test_a_shoot_inside_another_one_is_refused_with_the_way_out(tmp_path: Path) -> None:
    fill(tmp_path, ".xmpsync/state", "card/a.nef")
    with pytest.raises(Refused, match="--state"):
        discover(tmp_path / "card")
    assert len(discover(tmp_path / "card", own_state=tmp_path / "elsewhere").frames) == 1
    assert len(discover(tmp_path).frames) == 1


def test_a_shoot_around_another_one_is_refused_with_the_way_out(tmp_path: Path) -> None:
    fill(tmp_path, "a.nef", "card/deep/b.nef", "card/deep/.xmpsync/state")
    with pytest.raises(Refused, match="--state"):
        discover(tmp_path)
    assert len(discover(tmp_path, own_state=tmp_path / "elsewhere").frames) == 2


def test_a_missing_folder_and_a_file_are_wrong_usage(tmp_path: Path) -> None:
    fill(tmp_path, "a.nef")
    with pytest.raises(WrongUsage, match="does not exist"):
        discover(tmp_path / "gone")
    with pytest.raises(WrongUsage, match="not a folder"):
        discover(tmp_path / "a.nef")
    (tmp_path / "empty").mkdir()
    assert discover(tmp_path / "empty") == Discovery(())


def test_the_order_does_not_depend_on_the_file_system(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(tmp_path, *(f"card {k}/frame{n}.nef" for k in range(3) for n in range(5)), "Z.nef", "a.nef", "ä.nef")
    expected = ids(discover(tmp_path))
    assert len(expected) == 18
    real = os.scandir

    class Shuffled:
        def __init__(self, path: Path) -> None:
            with real(path) as entries:
                self.entries = list(entries)
            random.Random(7).shuffle(self.entries)

        def __enter__(self) -> object:
            return iter(self.entries)

        def __exit__(self, *_: object) -> None:
            pass

    monkeypatch.setattr(os, "scandir", Shuffled)
    assert ids(discover(tmp_path)) == expected


def test_extensions_are_lower_case_and_known(tmp_path: Path) -> None:
    assert {"dng", "nef", "cr2", "cr3", "arw", "raf", "rw2", "orf", "pef"} <= RAW_EXTENSIONS
    assert all(e == e.casefold() for e in RAW_EXTENSIONS)
    assert is_raw_name("A.NEF") and not is_raw_name("a.jpg") and not is_raw_name(".nef") and not is_raw_name("nef")
