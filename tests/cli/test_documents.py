"""The JSON documents: every key is in docs/json.md, and they hold what the page promises."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import REFERENCE, Call

pytestmark = pytest.mark.xdist_group("shoot")

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "json.md").read_text(encoding="utf-8")


def keys(value: Any) -> set[str]:
    if isinstance(value, dict):
        return set(value) | {key for child in value.values() for key in keys(child)}
    if isinstance(value, list):
        return {key for child in value for key in keys(child)}
    return set()


def test_every_key_of_every_document_is_described(shoot: Path, call: Call) -> None:
    documents = [
        call("correct", shoot, "--reference", REFERENCE, "--neutral", f"{REFERENCE}@0.3,0.5", "--yes", "--json").json,
        call("check", shoot, "--json").json,
        call("measure", shoot, "--json").json,
        call("runs", shoot, "--verify", "--json").json,
        call("people", shoot, "--json").json,
        call("references", shoot, "--json").json,
        call("rollback", shoot, "--yes", "--json").json,
        call("check", shoot, "--json").json,  # the run that held a reference is taken back: an error
    ]
    commands = ["correct", "check", "measure", "runs", "people", "references", "rollback", "error"]
    assert [d["command"] for d in documents] == commands
    for document in documents:
        assert document["schema"] == 1
        document.pop("not_judged", None)  # numbers by code
        document.pop("options", None)  # as given or remembered, by the names of the options
        unknown = {key for key in keys(document) if f"`{key}`" not in PAGE and f"`{key}[]`" not in PAGE}
        assert unknown == set(), document["command"]


def test_findings_carry_stable_codes_and_faces_say_whose_they_are(shoot: Path, call: Call) -> None:
    document = call("correct", shoot, "--reference", REFERENCE, "--dry-run", "--json").json
    codes = {finding["code"] for frame in document["frames"] for finding in frame["findings"]}
    assert "no-face" in codes and all(f"`{code}`" in PAGE for code in codes)
    persons = {p["person"] for p in document["persons"]}
    for frame in document["frames"]:
        for face in frame["faces"]:
            assert face["person"] is None or face["person"] in persons
            assert 0.0 <= face["probability"] <= 1.0
