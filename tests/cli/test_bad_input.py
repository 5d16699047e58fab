"""Bad input: the file is named, the others go on, nothing is lost, the exit code says what happened."""

from __future__ import annotations

import os
import shutil
import sqlite3
import sys
from pathlib import Path

import pytest

from tests.cli.conftest import REFERENCE, Call, tree

pytestmark = pytest.mark.xdist_group("shoot")


def test_a_missing_folder_and_a_folder_without_frames_are_wrong_usage(tmp_path: Path, call: Call) -> None:
    for folder in (tmp_path / "nowhere", tmp_path):
        result = call("correct", folder, "--reference", "x", "--dry-run")
        assert result.code == 2 and str(folder) in result.err
    assert list(tmp_path.iterdir()) == []


def test_no_reference_at_all_says_how_to_give_one(shoot: Path, call: Call) -> None:
    result = call("correct", shoot, "--dry-run")
    assert result.code == 2 and "--reference FRAME" in result.err


def test_a_wrong_reference_is_refused_with_close_names(shoot: Path, call: Call) -> None:
    result = call("correct", shoot, "--reference", "jubilee_0022", "--dry-run")
    assert result.code == 2 and "jubilee_0002.dng" in result.err


def test_a_reference_without_a_face_names_usable_frames(shoot: Path, call: Call) -> None:
    result = call("correct", shoot, "--reference", "jubilee_0001", "--dry-run")
    assert result.code == 2
    assert "jubilee_0001.dng" in result.err and "jubilee_0002.dng" in result.err


def test_a_reference_that_cannot_be_read_is_refused_with_the_reason(shoot: Path, call: Call) -> None:
    path = shoot / f"{REFERENCE}.dng"
    path.write_bytes(path.read_bytes()[:100_000])
    result = call("correct", shoot, "--reference", REFERENCE, "--yes")
    assert result.code == 2 and "ends too early" in result.err and "another frame" in result.err


def test_a_place_without_skin_or_face_is_refused(shoot: Path, call: Call) -> None:
    result = call("correct", shoot, "--reference", f"{REFERENCE}@1.5,0.2", "--dry-run")
    assert result.code == 2 and "outside the picture" in result.err


def test_a_malformed_sidecar_costs_its_own_frame_only(shoot: Path, call: Call) -> None:
    bad = shoot / "jubilee_0007.xmp"
    bad.write_bytes(b"<x:xmpmeta>\n <oops")
    result = call("correct", shoot, "--reference", REFERENCE, "--yes", "--json")
    assert result.code == 1
    (failed,) = result.json["failed"]
    assert failed["frame"] == "jubilee_0007.dng" and "jubilee_0007.xmp" in failed["what"] and "line" in failed["what"]
    assert bad.read_bytes() == b"<x:xmpmeta>\n <oops"
    assert "jubilee_0003.xmp" in result.json["run"]["written"]


def test_a_truncated_raw_and_a_file_that_is_no_raw_cost_their_own_frames_only(shoot: Path, call: Call) -> None:
    whole = (shoot / "jubilee_0009.dng").read_bytes()
    (shoot / "jubilee_0009.dng").write_bytes(whole[: len(whole) // 2])
    (shoot / "nonsense.nef").write_bytes(b"this is no RAW file" * 50)
    (shoot / "empty.cr2").write_bytes(b"")
    result = call("correct", shoot, "--reference", REFERENCE, "--yes", "--json")
    assert result.code == 1
    assert {f["frame"] for f in result.json["failed"]} == {"jubilee_0009.dng", "nonsense.nef", "empty.cr2"}
    assert all(f["frame"] in f["what"] and f["next_step"] for f in result.json["failed"])
    assert "jubilee_0003.xmp" in result.json["run"]["written"]


def test_two_raw_files_of_one_stem_and_two_sidecars_of_one_raw_are_refused_by_name(shoot: Path, call: Call) -> None:
    shutil.copy(shoot / "jubilee_0001.dng", shoot / "jubilee_0003.nef")
    shutil.copy(shoot / "jubilee_0007.xmp", shoot / "jubilee_0007.dng.xmp")
    before = tree(shoot)
    result = call("correct", shoot, "--reference", REFERENCE, "--yes", "--json")
    assert result.code == 1
    assert {f["frame"] for f in result.json["failed"]} >= {"jubilee_0003.dng", "jubilee_0003.nef", "jubilee_0007.dng"}
    after = tree(shoot)
    for name in ("jubilee_0003.xmp", "jubilee_0007.xmp", "jubilee_0007.dng.xmp"):
        assert after[name] == before[name]


@pytest.mark.skipif(sys.platform != "linux", reason="file names there are always Unicode")
def test_a_name_that_is_not_utf8_is_read_written_shown_and_rolled_back(shoot: Path, call: Call) -> None:
    odd = shoot / os.fsdecode(b"caf\xe9.dng")
    (shoot / "jubilee_0003.dng").rename(odd)
    (shoot / "jubilee_0003.xmp").rename(odd.with_suffix(".xmp"))
    before = tree(shoot)
    result = call("correct", shoot, "--reference", REFERENCE, "--yes", "--frames-table")
    assert result.code == 0, result.err
    assert "caf" in result.out
    assert tree(shoot) != before
    assert call("rollback", shoot, "--yes").code == 0
    assert tree(shoot) == before


def test_rejected_frames_are_left_out_unless_asked_for(shoot: Path, call: Call) -> None:
    path = shoot / "jubilee_0003.xmp"
    text = path.read_text()
    path.write_text(text.replace("<crs:HasSettings>", "<xmp:Rating>-1</xmp:Rating>\n   <crs:HasSettings>", 1))
    assert path.read_text() != text
    plain = call("correct", shoot, "--reference", REFERENCE, "--dry-run", "--json").json
    assert [x["frame"] for x in plain["left_out"]] == ["jubilee_0003.dng"]
    asked = call("correct", shoot, "--reference", REFERENCE, "--include-rejected", "--dry-run", "--json").json
    assert asked["left_out"] == []


def test_settings_that_change_what_the_numbers_mean_are_told_or_left_out(shoot: Path, call: Call) -> None:
    path = shoot / "jubilee_0003.xmp"
    text = path.read_text()
    path.write_text(
        text.replace("<crs:HasCrop>", "<crs:ConvertToGrayscale>True</crs:ConvertToGrayscale>\n   <crs:HasCrop>")
    )
    told = call("correct", shoot, "--reference", REFERENCE, "--dry-run", "--json")
    (frame,) = [f for f in told.json["frames"] if f["frame"] == "jubilee_0003.dng"]
    assert "monochrome" in {finding["code"] for finding in frame["findings"]}
    path.write_text(text.replace("<crs:HasCrop>", "<crs:AlreadyApplied>True</crs:AlreadyApplied>\n   <crs:HasCrop>"))
    skipped = call("correct", shoot, "--reference", REFERENCE, "--dry-run", "--json").json
    assert [x["frame"] for x in skipped["left_out"]] == ["jubilee_0003.dng"]


def test_a_preset_without_numbers_cannot_be_a_reference(shoot: Path, call: Call) -> None:
    path = shoot / f"{REFERENCE}.xmp"
    lines = [line for line in path.read_text().splitlines() if "Temperature" not in line and "Tint" not in line]
    path.write_text("\n".join(lines).replace("Custom", "Cloudy"))
    result = call("correct", shoot, "--reference", REFERENCE, "--dry-run")
    assert result.code == 2 and REFERENCE in result.err


def test_a_file_where_the_state_folder_belongs_is_refused_with_the_way_out(shoot: Path, call: Call) -> None:
    shutil.rmtree(shoot / ".xmpsync")
    (shoot / ".xmpsync").write_text("in the way")
    before = tree(shoot, state=True)
    look = call("correct", shoot, "--reference", REFERENCE, "--frames", "jubilee_0003*", "--dry-run")
    assert look.code == 3 and "--state" in look.err
    real = call("correct", shoot, "--reference", REFERENCE, "--frames", "jubilee_0003*", "--yes")
    assert real.code == 3 and "--state" in real.err
    assert tree(shoot, state=True) == before


def test_an_interrupted_run_stops_commands_that_read_and_is_put_right_by_the_next_that_writes(
    shoot: Path, call: Call
) -> None:
    before = tree(shoot)
    assert call("correct", shoot, "--reference", REFERENCE, "--yes").code == 0
    (outcome,) = (shoot / ".xmpsync" / "runs").glob("*/outcome.json")
    outcome.unlink()  # as if the power had gone right before the commit point
    for command in (
        ["check", shoot],
        ["correct", shoot, "--dry-run"],
        ["runs", shoot],
        ["rollback", shoot, "--dry-run"],
    ):
        result = call(*command)
        assert result.code == 4 and "--recover" in result.err, command
    result = call("rollback", shoot, "--recover")
    assert result.code == 0 and "interrupted" in result.err
    assert tree(shoot) == before


def test_a_shoot_around_another_one_with_state_is_refused_with_the_way_out(shoot: Path, call: Call) -> None:
    result = call("correct", shoot.parent, "--reference", REFERENCE, "--dry-run")
    assert result.code in (2, 3) and "--state" in result.err


def test_options_that_would_do_nothing_are_refused_all_at_once(shoot: Path, call: Call) -> None:
    some = ("correct", shoot, "--reference", REFERENCE, "--dry-run", "--frames", "jubilee_0003*")
    result = call(*some, "--clock", "B9=+00:00:01", "--strength-at", "jubilee_0009=0.5")
    assert result.code == 2
    assert all(text in result.err for text in ("B9", "Cameras here:", "jubilee_0009"))


def test_what_the_names_alone_show_to_be_invalid_is_told_at_once_and_before_anything_is_measured(
    shoot: Path, call: Call
) -> None:
    shutil.rmtree(shoot / ".xmpsync")
    wrong = ("--frames", "nothing*", "--clock", "B2", "--strength", "2", "--keep", "jubilee_0099")
    result = call("correct", shoot, "--reference", REFERENCE, "--dry-run", *wrong)
    assert result.code == 2 and result.err.count("Error: ") == 4
    assert all(text in result.err for text in ("nothing*", "'B2'", "--strength 2", "jubilee_0099"))
    assert "Measuring" not in result.err and not (shoot / ".xmpsync").exists()


def test_nudges_and_left_out_frames_that_would_do_nothing_are_refused(shoot: Path, call: Call) -> None:
    result = call(
        "correct", shoot, "--reference", REFERENCE, "--dry-run", "--keep", "jubilee_0003",
        "--nudge", f"{REFERENCE}=+5,0,0", "--nudge", "jubilee_0003=0,0,0.1",
        "--leave-out", "jubilee_0003",
    )  # fmt: skip
    assert result.code == 2
    assert all(
        text in result.err for text in ("is the reference, which is never", "held as it is by --keep", "holds or")
    )
    for wrong in ("jubilee_0003=5,0", "jubilee_0003=warm,0,0", "jubilee_0003=0,0,9", "jubilee_0003=nan,0,0"):
        result = call("correct", shoot, "--reference", REFERENCE, "--dry-run", "--nudge", wrong)
        assert result.code == 2 and "WARMER,MAGENTA,BRIGHTER" in result.err, wrong
    result = call("correct", shoot, "--reference", REFERENCE, "--dry-run", "--leave-out", "jubilee_9999")
    assert result.code == 2 and "jubilee_9999" in result.err


def test_a_mark_on_a_wall_is_refused_as_skin(shoot: Path, call: Call) -> None:
    result = call("correct", shoot, "--reference", REFERENCE, "--skin", "jubilee_0001@0.5,0.05", "--dry-run")
    assert result.code == 2 and "does not point at skin" in result.err


@pytest.mark.parametrize("text", ["{shoot}/jubilee_0002.dng", "{shoot}/jubilee_0002.xmp", "jubilee_0002.xmp"])
def test_a_frame_may_be_given_by_absolute_path_or_by_its_sidecar(shoot: Path, call: Call, text: str) -> None:
    result = call("correct", shoot, "--reference", text.format(shoot=shoot), "--dry-run", "--json")
    assert result.code == 0, result.err


def test_a_path_from_tab_completion_is_a_frame(shoot: Path, call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(shoot.parent)
    assert call("correct", "shoot", "--reference", "shoot/jubilee_0002.dng", "--dry-run", "--json").code == 0


def test_a_name_with_too_few_zeros_is_suggested_with_all_of_them(shoot: Path, call: Call) -> None:
    result = call("correct", shoot, "--reference", "jubilee_002", "--dry-run")
    assert result.code == 2 and "Did you mean jubilee_0002.dng?" in result.err


def test_a_folder_of_finished_pictures_is_called_so(tmp_path: Path, call: Call) -> None:
    (tmp_path / "a.jpg").write_bytes(b"")
    result = call("correct", tmp_path, "--reference", "a", "--dry-run")
    assert result.code == 2 and "1 finished picture (JPEG)" in result.err


def test_an_error_is_a_json_document_too(shoot: Path, call: Call) -> None:
    result = call("check", shoot, "--json")
    assert result.code == 2 and result.json["exit_code"] == 2 and "reference" in result.json["error"]
    assert call("check", "--nonsense", "--json").json["exit_code"] == 2


def test_hints_to_copy_are_quoted_for_a_shell(shoot: Path, call: Call) -> None:
    odd = shoot.rename(shoot.parent / "a wedding")
    assert f"xmpsync references '{odd}'" in call("check", odd).err


@pytest.mark.skipif(sys.platform == "win32", reason="links need a right there")
@pytest.mark.parametrize("flags", [(), ("--embed-dng",)])
def test_frames_behind_a_folder_link_are_named_before_anything_is_written(
    shoot: Path, call: Call, flags: tuple[str, ...]
) -> None:
    other = shoot.parent / "other"
    other.mkdir()
    for path in shoot.glob("jubilee_0003.*"):
        path.rename(other / path.name)
    (shoot / "day").symlink_to(other, target_is_directory=True)
    before, own = tree(other), tree(shoot)
    dry = call("correct", shoot, "--reference", REFERENCE, "--dry-run", *flags)
    assert dry.code == 1
    assert "day/jubilee_0003.xmp cannot be written: it is reached through a folder link" in dry.err
    assert "jubilee_0009" not in dry.err.partition("cannot be written")[2]
    assert tree(shoot) == own
    result = call("correct", shoot, "--reference", REFERENCE, "--yes", *flags)
    assert result.code == 1 and "folder link" in result.err
    assert tree(other) == before and tree(shoot) != own


def test_a_write_protected_sidecar_is_named_in_the_dry_run(shoot: Path, call: Call) -> None:
    (shoot / "jubilee_0003.xmp").chmod(0o444)
    result = call("correct", shoot, "--reference", REFERENCE, "--dry-run")
    assert result.code == 1 and "jubilee_0003.xmp cannot be written: it is write-protected" in result.err


def test_deleting_backups_or_face_data_needs_a_yes(shoot: Path, call: Call) -> None:
    assert call("runs", shoot, "--delete-older", "1").code == 2
    assert call("measure", shoot, "--forget-faces").code == 2
    assert call("measure", shoot, "--forget-faces", "--yes").code == 0


def test_forgetting_faces_reaches_stores_that_were_set_aside(shoot: Path, call: Call) -> None:
    """Identity numbers are biometric data: a store in doubt is renamed, and keeps them until it is deleted."""
    store = shoot / ".xmpsync" / "measurements.sqlite"
    database = sqlite3.connect(store)
    database.execute("CREATE TABLE more (x)")
    database.close()
    result = call("measure", shoot, "--forget-faces", "--yes")
    assert result.code == 0 and "measurements.sqlite.set-aside-1" in result.err
    assert [path.name for path in store.parent.iterdir() if path.name.startswith(store.name)] == [store.name]


def test_a_dry_rollback_says_which_run_and_that_nothing_was_written(shoot: Path, call: Call) -> None:
    assert call("correct", shoot, "--reference", REFERENCE, "--yes").code == 0
    run_id = call("runs", shoot, "--json").json["runs"][0]["run"]
    result = call("rollback", shoot, "--dry-run")
    assert f"Run {run_id} would be rolled back. Nothing was written." in result.err
