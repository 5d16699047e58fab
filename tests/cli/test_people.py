"""Who was found, what the photographer says about it, and which frames make good references."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest

from tests.cli.conftest import REFERENCE, Call, tree

pytestmark = pytest.mark.xdist_group("shoot")


def _unnamed(shoot: Path, call: Call) -> tuple[str, list[float]]:
    """A face that no region names, and the middle of its box."""
    for frame in call("measure", shoot, "--json").json["frames"]:
        for face in frame["faces"]:
            if face["name"] is None and face["camera"] is not None:
                left, top, width, height = face["box"]
                return frame["frame"], [left + width / 2, top + height / 2]
    raise AssertionError("every face has a name")


def test_an_answer_is_kept_listed_used_aloud_and_taken_back(shoot: Path, call: Call) -> None:
    frame, (x, y) = _unnamed(shoot, call)
    before = tree(shoot)
    said = call("people", shoot, "--name", f"{frame}@{x:.3f},{y:.3f}=Ada", "--json")
    assert said.code == 0, said.err
    assert [(a["frame"], a["person"]) for a in said.json["answers"]] == [(frame, "Ada")]
    assert "Ada" in {p["person"] for p in said.json["people"]}
    used = call("correct", shoot, "--reference", REFERENCE, "--dry-run")
    assert "Named by you: Ada." in used.err
    assert call("people", shoot, "--forget", "Ada", "--json").json["answers"] == []
    assert not (shoot / ".xmpsync" / "people.json").exists()
    assert tree(shoot) == before


def test_a_region_name_wins_over_an_answer_and_the_contradiction_is_told(shoot: Path, call: Call) -> None:
    frame, face = next(
        (m["frame"], f) for m in call("measure", shoot, "--json").json["frames"] for f in m["faces"] if f["name"]
    )
    left, top, width, height = face["box"]
    place = f"{frame}@{left + width / 2:.3f},{top + height / 2:.3f}"
    result = call("people", shoot, "--name", f"{place}=Zoe", "--json")
    assert f"a face region names {face['name']} there: that name counts" in result.err
    assert "Zoe" not in {p["person"] for p in result.json["people"]}


def test_parting_a_face_gives_it_a_person_of_its_own(shoot: Path, call: Call) -> None:
    frame, (x, y) = _unnamed(shoot, call)
    result = call("people", shoot, "--apart", f"{frame}@{x:.3f},{y:.3f}", "--json")
    assert result.code == 0, result.err
    assert "somebody 1" in {p["person"] for p in result.json["people"]}


def test_people_and_places_that_do_not_exist_are_refused_and_nothing_is_kept(shoot: Path, call: Call) -> None:
    for arguments in (
        ["--name", "person 99=Ada"], ["--same", "Nobody", "Selma"], ["--apart", f"{REFERENCE}@0.01,0.99"],
        ["--forget", "Ada"],
    ):  # fmt: skip
        result = call("people", shoot, *arguments)
        assert result.code == 2, arguments
    assert not (shoot / ".xmpsync" / "people.json").exists()


def test_everything_wrong_with_what_is_said_about_people_is_told_at_once(shoot: Path, call: Call) -> None:
    result = call(
        "people", shoot, "--name", "person 99=Ada", "--name", "Selma=", "--same", "Nobody", "Selma",
        "--apart", f"{REFERENCE}@0.01,0.99", "--forget", "Ada",
    )  # fmt: skip
    assert result.code == 2
    for words in ("'person 99=Ada': no such", "'Selma=': the name", "'Nobody': no such", "no face there", "'Ada': no"):
        assert words in result.err, words
    assert result.err.count("Write 'person 3=Ada'") == 1  # one next step for errors alike
    assert not (shoot / ".xmpsync" / "people.json").exists()


def test_references_name_frames_with_a_command_line_that_works(shoot: Path, call: Call) -> None:
    result = call("references", shoot, "--json")
    assert result.code == 0, result.err
    document = result.json
    assert document["chosen"] and {c["person"] for c in document["candidates"]} >= {"Selma"}
    assert all(c["reasons"] for c in document["candidates"])
    words = shlex.split(document["command_line"])
    assert words[0] == "xmpsync" and call(*words[1:]).code == 0


@pytest.mark.parametrize("command", [("correct", "--dry-run"), ("check",)])
def test_without_a_reference_those_that_would_be_good_are_shown(
    shoot: Path, call: Call, command: tuple[str, ...]
) -> None:
    result = call(command[0], shoot, *command[1:])
    assert result.code == 2 and "--reference" in result.out and "jubilee_" in result.out
    assert "matches" not in result.err
