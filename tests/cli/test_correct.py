"""The main way: look, write, check, take back."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import REFERENCE, Call, tree
from xmpsync.xmp.edit import our_fields
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.settings import read_settings

pytestmark = pytest.mark.xdist_group("shoot")


def test_a_dry_run_shows_values_and_changed_lines_and_writes_nothing(shoot: Path, call: Call) -> None:
    before = tree(shoot)
    result = call("correct", shoot, "--reference", REFERENCE, "--dry-run", "--frames-table", "--diff")
    assert result.code == 0, result.err
    assert "temperature" in result.out and "jubilee_0003.dng" in result.out
    assert any(line.startswith("+") and "Temperature" in line for line in result.out.splitlines())
    assert "Nothing was written" in result.err
    assert tree(shoot) == before


def test_a_dry_run_without_store_writes_nothing_whatever(shoot: Path, call: Call) -> None:
    shutil.rmtree(shoot / ".xmpsync")
    before = tree(shoot, state=True)
    result = call("correct", shoot, "--reference", REFERENCE, "--dry-run", "--no-store", "--frames", "jubilee_0003*")
    assert result.code == 0, result.err
    assert tree(shoot, state=True) == before


def test_a_run_writes_only_sidecars_never_the_reference_and_rolls_back_to_the_byte(shoot: Path, call: Call) -> None:
    before = tree(shoot)
    first = call("check", shoot, "--reference", REFERENCE, "--json").json["figures"]
    written = call("correct", shoot, "--reference", REFERENCE, "--yes")
    assert written.code == 0, written.err
    after = tree(shoot)
    changed = {name for name in after if after[name] != before.get(name)}
    assert changed and all(name.endswith(".xmp") for name in changed)
    assert before.keys() <= after.keys()
    assert f"{REFERENCE}.xmp" not in changed
    second = call("check", shoot, "--json").json["figures"]
    assert second["delta_e00_median"] < 0.5 * first["delta_e00_median"]
    assert (
        second["delta_e00_median"] < 1.0 and second["level_ev_median"] < 0.1
    )  # what the tool promises on such a shoot
    back = call("rollback", shoot, "--yes")
    assert back.code == 0, back.err
    assert tree(shoot) == before


def test_other_edits_and_the_embedded_packet_survive(shoot: Path, call: Call) -> None:
    kept = (shoot / "jubilee_0007.xmp").read_text()
    assert call("correct", shoot, "--reference", REFERENCE, "--yes").code == 0
    now = (shoot / "jubilee_0007.xmp").read_text()
    differing = [b for a, b in zip(kept.splitlines(), now.splitlines(), strict=True) if a != b]
    assert differing and all(
        any(name in line for name in ("Temperature", "Tint", "WhiteBalance", "Exposure2012")) for line in differing
    )
    # the DNG with a packet inside gets a sidecar that starts as a copy of it (contract, "Frames and files")
    settings = read_settings(Packet.parse((shoot / "jubilee_0014.xmp").read_bytes()))
    assert settings.keywords and settings.white_balance == "Custom"


def test_a_second_run_finds_nothing_to_change_because_the_solve_is_absolute(shoot: Path, call: Call) -> None:
    assert call("correct", shoot, "--reference", REFERENCE, "--yes").code == 0
    again = call("correct", shoot, "--dry-run", "--json")
    assert again.code == 0, again.err
    assert again.json["files_to_change"] == []
    assert again.json["options"]["references"] == [REFERENCE]


def test_frames_follow_facts_of_the_trade(shoot: Path, call: Call) -> None:
    """Common practice, no source: open shade is warmed by a higher temperature, candle light cooled by a lower one."""
    frames = {
        f["frame"]: f for f in call("correct", shoot, "--reference", REFERENCE, "--dry-run", "--json").json["frames"]
    }
    hall = frames["jubilee_0003.dng"]["after"]["temperature_k"]
    assert frames["jubilee_0009.dng"]["after"]["temperature_k"] > hall + 1000
    assert frames["jubilee_0033.dng"]["after"]["temperature_k"] < hall - 1500


def test_without_yes_and_without_a_terminal_nothing_is_written(shoot: Path, call: Call) -> None:
    before = tree(shoot, state=True)
    result = call("correct", shoot, "--reference", REFERENCE)
    assert result.code == 2
    assert "--dry-run" in result.err and "--yes" in result.err
    assert tree(shoot, state=True) == before
    assert call("rollback", shoot).code == 2


def test_only_white_balance_and_only_exposure_touch_only_these(shoot: Path, call: Call) -> None:
    before = our_fields((shoot / "jubilee_0007.xmp").read_bytes())
    assert call("correct", shoot, "--reference", REFERENCE, "--only", "wb", "--yes").code == 0
    after = our_fields((shoot / "jubilee_0007.xmp").read_bytes())
    assert after.temperature != before.temperature and after.exposure2012 == before.exposure2012
    assert call("rollback", shoot, "--yes").code == 0
    assert call("correct", shoot, "--reference", REFERENCE, "--only", "exposure", "--yes").code == 0
    after = our_fields((shoot / "jubilee_0007.xmp").read_bytes())
    assert (after.temperature, after.tint) == (before.temperature, before.tint)
    assert after.exposure2012 != before.exposure2012
    created = our_fields((shoot / "jubilee_0001.xmp").read_bytes())
    assert created.temperature is None and created.white_balance is None and created.exposure2012 is not None


def test_figures_of_a_narrowed_run_are_those_of_what_it_writes(shoot: Path, call: Call) -> None:
    plan = call("correct", shoot, "--reference", REFERENCE, "--only", "exposure", "--yes", "--json").json
    stands = call("check", shoot, "--json").json
    assert plan["figures_after"]["delta_e00_median"] == pytest.approx(stands["figures"]["delta_e00_median"], abs=0.05)
    assert plan["figures_after"]["level_ev_median"] == pytest.approx(stands["figures"]["level_ev_median"], abs=0.02)


def test_a_tag_marks_the_frames_that_need_handwork_and_no_others(shoot: Path, call: Call) -> None:
    result = call("correct", shoot, "--reference", REFERENCE, "--tag", "by hand", "--yes", "--json")
    assert result.code == 0, result.err
    only_explained = {"no-face", "few-pixels", "person-never-linked-to-a-reference", "look-differs", "unknown-person"}
    wanted = {f["frame"] for f in result.json["frames"] if {x["code"] for x in f["findings"]} - only_explained}
    tagged = {
        path.with_suffix(".dng").name
        for path in shoot.glob("*.xmp")
        if "by hand" in read_settings(Packet.parse(path.read_bytes())).keywords
    }
    assert tagged == wanted


def test_frames_corrected_by_hand_stay_when_asked_for(shoot: Path, call: Call) -> None:
    document = call("correct", shoot, "--reference", REFERENCE, "--keep-custom", "--dry-run", "--json").json
    held = {f["frame"] for f in document["frames"] if f["basis"] == "held"}
    assert "jubilee_0007.dng" in held
    assert not any(path.startswith("jubilee_0007") for path in document["files_to_change"])


def test_a_nudge_is_written_on_top_of_the_answer_and_a_frame_left_out_is_not_touched(shoot: Path, call: Call) -> None:
    plain = call("correct", shoot, "--reference", REFERENCE, "--dry-run", "--json").json
    found = call(
        "correct", shoot, "--reference", REFERENCE, "--nudge", "jubilee_0007=+10,2,-0.3", "--leave-out", "jubilee_0003",
        "--yes", "--json",
    ).json  # fmt: skip
    before, after = (next(f for f in d["frames"] if f["frame"] == "jubilee_0007.dng")["after"] for d in (plain, found))
    assert 1e6 / before["temperature_k"] - 1e6 / after["temperature_k"] == pytest.approx(10.0, abs=2.0)
    assert after["exposure_ev"] - before["exposure_ev"] == pytest.approx(-0.3, abs=0.1)
    written = our_fields((shoot / "jubilee_0007.xmp").read_bytes())
    assert written.temperature == str(round(after["temperature_k"]))
    assert {"frame": "jubilee_0003.dng", "reason": "asked for (--leave-out)"} in found["left_out"]
    assert not any(path.startswith("jubilee_0003") for path in found["run"]["written"] + found["run"]["created"])
    # remembered like every option
    again = call("correct", shoot, "--dry-run")
    assert "--nudge jubilee_0007=+10,2,-0.3" in again.err and "--leave-out jubilee_0003" in again.err


def test_ratings_and_patterns_choose_frames_but_a_reference_is_always_read(shoot: Path, call: Call) -> None:
    result = call("correct", shoot, "--reference", REFERENCE, "--frames", "jubilee_0003*", "--dry-run", "--json")
    assert {f["frame"] for f in result.json["frames"]} == {"jubilee_0002.dng", "jubilee_0003.dng"}


def test_a_place_picks_a_face_and_names_it(shoot: Path, call: Call) -> None:
    faces = {
        f["name"]: f
        for m in call("measure", shoot, "--json").json["frames"]
        if m["frame"] == "jubilee_0002.dng"
        for f in m["faces"]
    }
    left, top, width, height = faces["Selma"]["box"]
    place = f"Selma={REFERENCE}@{left + width / 2:.3f},{top + height / 2:.3f}"
    document = call("correct", shoot, "--reference", place, "--dry-run", "--json").json
    assert [p["person"] for p in document["persons"] if p["referenced"]] == ["Selma"]


def test_the_cast_on_a_marked_neutral_is_always_told_and_goes_with_its_weight(shoot: Path, call: Call) -> None:
    """Exact skin leaves a cast on what is marked as neutral (here a boarded wall); weight 1 takes most of it away."""
    wall = "jubilee_0009@0.93,0.08"
    skin = call("correct", shoot, "--reference", REFERENCE, "--neutral", wall, "--dry-run", "--json").json["neutrals"]
    again = call(
        "correct", shoot, "--reference", REFERENCE, "--neutral", wall, "--neutral-weight", "1", "--dry-run", "--json"
    )
    (before,), (after,) = skin, again.json["neutrals"]
    assert (before["frame"], before["place"]) == ("jubilee_0009.dng", [0.93, 0.08])
    assert after["delta_e00_after"] < before["delta_e00_after"]
    assert "Neutral in jubilee_0009.dng" in again.err


def test_numbers_can_be_a_reference(shoot: Path, call: Call) -> None:
    result = call("correct", shoot, "--reference", "Selma=lab:50,14,16", "--dry-run", "--json")
    assert result.code == 0, result.err
    (selma,) = [p for p in result.json["persons"] if p["referenced"]]
    assert selma["lab_d50"] == pytest.approx([50, 14, 16], abs=0.01)  # an anchor of tiny width, not a wall


def test_the_packet_inside_a_dng_is_written_on_request_and_taken_back_exactly(shoot: Path, call: Call) -> None:
    before = tree(shoot)
    result = call("correct", shoot, "--reference", REFERENCE, "--embed-dng", "--yes")
    assert result.code == 0, result.err
    after = tree(shoot)
    assert after["jubilee_0014.dng"] != before["jubilee_0014.dng"]
    assert after["jubilee_0002.dng"] == before["jubilee_0002.dng"]  # the reference
    assert "jubilee_0014.xmp" not in after  # nothing shadows the packet
    again = call("correct", shoot, "--embed-dng", "--dry-run", "--json")
    assert again.json["files_to_change"] == [], again.err
    assert "Measuring" not in again.err
    assert call("rollback", shoot, "--yes").code == 0
    assert tree(shoot) == before


def test_the_report_is_one_file_that_loads_nothing(shoot: Path, call: Call, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    before = tree(shoot)
    assert call("report", shoot, page, "--reference", REFERENCE).code == 0
    assert tree(shoot) == before
    text = page.read_text(encoding="utf-8")
    assert "jubilee_0003.dng" in text and "data:image/jpeg;base64," in text
    assert '"jubilee_0003.dng"' in text and "src=" not in text.split('id="data"')[0]
    # the only address in it is the name that the SVG standard gives its elements; nothing is fetched from there
    assert set(re.findall(r"https?://[^\"']*", text)) == {"http://www.w3.org/2000/svg"}


def test_runs_are_listed_verified_and_rolled_back_frame_by_frame(shoot: Path, call: Call) -> None:
    before = tree(shoot)
    assert call("correct", shoot, "--reference", REFERENCE, "--yes").code == 0
    after = tree(shoot)
    listed = call("runs", shoot, "--verify", "--json")
    assert listed.code == 0 and listed.json["verified"] and listed.json["damaged_backups"] == []
    assert [r["command"] for r in listed.json["runs"]] == ["correct"]
    dry = call("rollback", shoot, "--frame", "jubilee_0003", "--dry-run", "--json")
    assert [f["file"] for f in dry.json["files"]] == ["jubilee_0003.xmp"]
    assert tree(shoot) == after
    assert call("rollback", shoot, "--frame", "jubilee_0003.dng", "--yes").code == 0
    now = tree(shoot)
    assert now["jubilee_0003.xmp"] == before["jubilee_0003.xmp"]
    assert {n for n in now if now[n] != after[n]} == {"jubilee_0003.xmp"}


def test_another_programs_edit_after_the_run_survives_the_rollback(shoot: Path, call: Call) -> None:
    assert call("correct", shoot, "--reference", REFERENCE, "--yes").code == 0
    path = shoot / "jubilee_0007.xmp"
    original = our_fields((shoot / ".xmpsync/runs").glob("*/originals/jubilee_0007.xmp").__next__().read_bytes())
    edited = path.read_text().replace("<rdf:li>jubilee</rdf:li>", "<rdf:li>my album</rdf:li>")
    assert edited != path.read_text()
    path.write_text(edited)
    result = call("rollback", shoot, "--yes")
    assert result.code == 0, result.err
    assert our_fields(path.read_bytes()) == original
    assert "my album" in path.read_text()


def test_a_run_and_its_rollback_measure_nothing_again(shoot: Path, call: Call) -> None:
    """Contract, "Store key": no packet and a packet without regions are the same."""

    def measured_before() -> tuple[int, int]:
        document = call("measure", shoot, "--json").json
        return document["frames_from_store"], len(document["frames"])

    assert call("correct", shoot, "--reference", REFERENCE, "--yes").code == 0
    assert (shoot / "jubilee_0001.xmp").exists() and (shoot / "jubilee_0014.xmp").exists()  # both made by the run
    assert measured_before() == (8, 8)
    assert call("rollback", shoot, "--yes").code == 0
    assert not (shoot / "jubilee_0014.xmp").exists()
    assert measured_before() == (8, 8)


def test_a_dry_run_remembers_nothing_and_a_run_that_was_rolled_back_is_not_used(shoot: Path, call: Call) -> None:
    assert call("check", shoot, "--reference", REFERENCE).code in (0, 1)
    assert call("correct", shoot, "--reference", REFERENCE, "--dry-run").code == 0
    assert call("check", shoot).code == 2
    assert call("correct", shoot, "--reference", REFERENCE, "--yes").code == 0
    used = call("check", shoot)
    assert used.code in (0, 1) and "As in run 0001" in used.err.replace("run 1", "run 0001"), used.err
    assert call("rollback", shoot, "--yes").code == 0
    assert call("check", shoot).code == 2


def test_a_check_tells_the_share_of_faces_that_it_could_judge(shoot: Path, call: Call) -> None:
    result = call("check", shoot, "--reference", REFERENCE, "--json")
    document = result.json
    assert f"Judged: {document['faces_judged']} of {document['faces_with_skin']} faces with skin." in result.err
    assert document["faces_judged"] + sum(document["not_judged"].values()) == document["faces_with_skin"]
    one = call("check", shoot, "--reference", "Selma=lab:50,14,16", "--json")
    assert one.json["verdict"] != "matches" and one.code == 1


def test_a_wrong_figure_stops_before_anything_is_written(
    shoot: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    """colour-science works out every printed difference again: a slip in our own rendering must not pass (exit 70)."""
    from xmpsync.colour import adaptation
    from xmpsync.solve import tables

    ours = tables.xyz_from_camera_jacobian

    def slipped(*arguments: Any) -> Any:
        found = ours(*arguments)
        return found._replace(xyz_from_camera=found.xyz_from_camera * adaptation.XYZ_D50[:, None] ** 0.05)

    monkeypatch.setattr(tables, "xyz_from_camera_jacobian", slipped)
    before = tree(shoot)
    result = call("correct", shoot, "--reference", REFERENCE, "--yes")
    assert result.code == 70
    assert "Two implementations of the colour model differ" in result.err
    assert "Nothing was written." in result.err
    assert tree(shoot) == before


def test_a_dry_run_names_the_frame_whose_figures_cannot_be_confirmed(
    shoot: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    from xmpsync.colour import judge

    theirs = judge.skin_difference

    def differing(*arguments: Any) -> Any:
        de00, level = theirs(*arguments)
        return de00 + 0.06, level

    monkeypatch.setattr(judge, "skin_difference", differing)
    result = call("correct", shoot, "--reference", REFERENCE, "--dry-run")
    assert result.code == 70
    assert "jubilee_" in result.err
