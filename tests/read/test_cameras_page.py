"""docs/cameras.md is what its command prints, for the LibRaw version it names."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import rawpy

from benchmarks.cameras.__main__ import document, listed_cameras
from xmpsync.read.formats import ALL

PAGE = Path(__file__).resolve().parents[2] / "docs" / "cameras.md"


def test_the_page_is_what_its_command_prints() -> None:
    text = PAGE.read_text(encoding="utf-8")
    named = re.search(r"from LibRaw ([\d.]+);", text)
    assert named is not None
    installed = ".".join(str(part) for part in rawpy.libraw_version)
    if named.group(1) != installed:
        pytest.skip(f"the page was made with LibRaw {named.group(1)}, here is {installed}")
    assert text == document()


def test_the_page_covers_common_bodies_and_every_way_out() -> None:
    cameras = {f"{c.maker} {c.model}": c.has_matrix for c in listed_cameras()}
    # common bodies of common makers, as LibRaw's list writes them
    for name in ("Canon EOS R6", "Nikon D850", "Sony ILCE-7M3 (A7 III)", "FujiFilm X-T3", "Panasonic DC-S5"):
        assert cameras[name], name
    text = PAGE.read_text(encoding="utf-8")
    assert all(kind.way_out in text for kind in ALL)
