"""A shoot that came from somebody else, through whole command lines: nothing acts on the terminal, nothing hangs."""

from __future__ import annotations

import json
import os
import sys
import unicodedata
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import REFERENCE, Call, tree
from tests.write.test_attacks import with_tag

pytestmark = [
    pytest.mark.xdist_group("shoot"),
    pytest.mark.skipif(sys.platform == "win32", reason="names and pipes of POSIX systems"),
]

COMMANDS = (
    ("correct", "--dry-run", "--diff", "--frames-table"), ("correct", "--dry-run", "--json"), ("check",),
    ("check", "--json"), ("references",), ("people",), ("people", "--json"), ("runs",), ("runs", "--json"),
    ("runs", "--verify"), ("rollback", "--dry-run"), ("measure",), ("correct", "--strength", "0.5", "--yes"),
    ("rollback", "--yes"),
)  # fmt: skip


def _manifest(shoot: Path, **changes: Any) -> None:
    (folder,) = (shoot / ".xmpsync" / "runs").iterdir()
    path = folder / "manifest.json"
    path.write_text(json.dumps(json.loads(path.read_bytes()) | changes))


def _acts(text: str) -> set[str]:
    """Characters that move a cursor, switch colours or turn the direction of writing (Unicode categories)."""
    return {letter for letter in text if unicodedata.category(letter) in ("Cc", "Cf", "Cs") and letter not in "\n\t"}


def test_names_and_words_from_the_folder_never_act_on_the_terminal(shoot: Path, call: Call) -> None:
    """In a file name, a person's name in a sidecar and in our own file, and what a manifest holds.

    XML 1.0 (2.2) lets the C1 controls and the direction marks through; U+009B begins what ESC [ does (ECMA-48, 5.4).
    """
    for name in ("jubilee_0003.dng", "jubilee_0003.xmp"):
        (shoot / name).rename(shoot / name.replace("jubilee", "\x1b]0;owned\x07\u202ejub\x9b31m"))
    sidecar = shoot / "jubilee_0009.xmp"
    data = sidecar.read_bytes()
    assert b'="Ida"' in data or b">Ida<" in data
    sidecar.write_bytes(data.replace(b'"Ida"', b'"I\xc2\x9b2Jda"').replace(b">Ida<", b">I\xc2\x9b2Jda<"))
    assert call("correct", shoot, "--reference", REFERENCE, "--tag", "bell\x9b", "--yes").code == 0
    _manifest(shoot, tool_version="\x1b[2J1.0\x07")
    (shoot / ".xmpsync" / "people.json").write_text(
        json.dumps(
            {"schema": 1, "answers": [{"frame_id": "jubilee_0014.dng", "x": 0.55, "y": 0.44, "name": "A\x1b[5m"}]}
        )
    )
    shown = ""
    for name, *arguments in COMMANDS:
        result = call(name, shoot, *arguments)
        assert result.code in (0, 1), (name, result.err)
        assert not _acts(result.out + result.err), name
        shown += result.out + result.err
    assert "\\x1b]0;owned" in shown and "\\u202e" in shown and "I\\x9b2Jda" in shown and "A\\x1b[5m" in shown


def test_a_made_up_run_is_named_without_acting_on_the_terminal(shoot: Path, call: Call) -> None:
    assert call("correct", shoot, "--reference", REFERENCE, "--yes").code == 0
    _manifest(shoot, command="correct\x1b[2J")
    for arguments in (("runs",), ("runs", "--verify"), ("rollback", "--yes")):
        result = call(arguments[0], shoot, *arguments[1:])
        assert not _acts(result.out + result.err)
        assert result.code == (0 if arguments == ("runs",) else 4)


@pytest.mark.parametrize("option", ["camera_profiles", "scale"])
@pytest.mark.parametrize("kind", ["pipe", "endless", "huge", "folder"])
def test_a_remembered_file_at_any_path_neither_hangs_nor_fills_memory(
    shoot: Path, call: Call, option: str, kind: str
) -> None:
    assert call("correct", shoot, "--reference", REFERENCE, "--yes").code == 0
    path = shoot.parent / "named"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "endless":
        path.symlink_to("/dev/zero")
    elif kind == "huge":
        with path.open("wb") as file:
            file.truncate(1 << 40)
    else:
        path.mkdir()
    options = {"references": [REFERENCE], option: [str(path)] if option == "camera_profiles" else str(path)}
    _manifest(shoot, options=options)
    before = tree(shoot)
    for arguments in (("check",), ("correct", "--yes")):
        result = call(arguments[0], shoot, *arguments[1:])
        assert result.code == 2, result.err
        assert "plain file" in result.err or "larger" in result.err
    assert tree(shoot) == before


def test_a_remembered_reference_of_another_type_is_named(shoot: Path, call: Call) -> None:
    assert call("correct", shoot, "--reference", REFERENCE, "--yes").code == 0
    _manifest(shoot, options={"references": [{"a": 1}], "strength": "all"})
    result = call("check", shoot)
    assert result.code == 2 and "remembered by the newest run" in result.err


@pytest.mark.parametrize("where", ["pixels", "another directory"])
def test_a_packet_that_lies_on_pixels_is_named_and_never_written(shoot: Path, call: Call, where: str) -> None:
    """Tag 700 of a real frame turned onto something else; the store knows the frame by size and time."""
    frame = shoot / "jubilee_0014.dng"
    data, status = frame.read_bytes(), frame.stat()
    first = int.from_bytes(data[4:8], "little")
    at = 8 if where == "pixels" else first + 2
    spoilt = with_tag(data, 700, 6000, at)
    frame.write_bytes(spoilt)
    os.utime(frame, ns=(status.st_atime_ns, status.st_mtime_ns))
    arguments = ("correct", shoot, "--reference", REFERENCE, "--embed-dng")
    for way in ("--dry-run", "--yes"):
        result = call(*arguments, way)
        assert result.code == 1 and "jubilee_0014.dng cannot be written" in result.err
        assert "overlaps" in result.err
    assert frame.read_bytes() == spoilt
