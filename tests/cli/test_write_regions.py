"""`--write-regions`: names of people in sidecars, only when asked for, in the same plan and taken back with it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.cli.conftest import REFERENCE, Call, tree
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.regions import FaceRegion, read_regions

pytestmark = pytest.mark.xdist_group("shoot")


def faces_in(sidecar: Path) -> tuple[FaceRegion, ...]:
    return read_regions(Packet.parse(sidecar.read_bytes())).faces if sidecar.exists() else ()


def names_in(shoot: Path) -> dict[str, list[str | None]]:
    return {path.stem: [face.name for face in faces_in(path)] for path in sorted(shoot.rglob("*.xmp"))}


def proxies_in(shoot: Path) -> dict[str, bytes]:
    with closing(sqlite3.connect(shoot / ".xmpsync" / "measurements.sqlite")) as database:
        return {path.decode(): proxy for path, proxy in database.execute("SELECT path, proxy FROM measurement")}


@pytest.fixture
def named(shoot: Path, call: Call) -> tuple[str, list[float]]:
    """A face outside the reference that no region names, named Ada by hand: its frame and box."""
    for frame in call("measure", shoot, "--json").json["frames"]:
        for face in frame["faces"]:
            if face["name"] is None and face["camera"] is not None and REFERENCE not in frame["frame"]:
                left, top, width, height = face["box"]
                place = f"{frame['frame']}@{left + width / 2:.3f},{top + height / 2:.3f}"
                assert call("people", shoot, "--name", f"{place}=Ada").code == 0
                return frame["frame"], face["box"]
    raise AssertionError("every face has a name")


def test_names_are_written_where_asked_for_shown_before_and_taken_back(
    shoot: Path, call: Call, named: tuple[str, list[float]]
) -> None:
    frame, box = named
    sidecar = (shoot / frame).with_suffix(".xmp")
    common = ("correct", shoot, "--reference", REFERENCE)
    before, held = tree(shoot), names_in(shoot)
    dry = call(*common, "--write-regions", "--dry-run", "--diff")
    assert dry.code == 0 and "Ada" in dry.out and "mwg-rs" in dry.out
    assert tree(shoot) == before
    assert "Ada" not in call(*common, "--dry-run", "--diff").out
    assert call(*common, "--write-regions", "--yes").code == 0
    (ada,) = [face for face in faces_in(sidecar) if face.name == "Ada"]
    assert [ada.box.left, ada.box.top, ada.box.width, ada.box.height] == pytest.approx(box, abs=2e-5)
    now = names_in(shoot)
    assert all(set(names) <= set(now[stem]) for stem, names in held.items())
    assert not any(str(name).startswith(("person ", "somebody ")) for names in now.values() for name in names)
    assert now.get(REFERENCE) == held.get(REFERENCE)
    again = call("measure", shoot, "--json").json
    assert again["frames_from_store"] == len(again["frames"])
    assert [f["name"] for m in again["frames"] if m["frame"] == frame for f in m["faces"]].count("Ada") == 1
    assert call("rollback", shoot, "--yes").code == 0
    assert tree(shoot) == before


def test_a_later_run_writes_no_names_unless_asked_again(
    shoot: Path, call: Call, named: tuple[str, list[float]]
) -> None:
    assert call("correct", shoot, "--reference", REFERENCE, "--write-regions", "--yes").code == 0
    assert call("rollback", shoot, "--yes").code == 0
    assert call("correct", shoot, "--reference", REFERENCE, "--yes").code == 0
    assert "Ada" not in str(names_in(shoot))
    later = call("correct", shoot, "--dry-run", "--diff")
    assert later.code == 0 and "Ada" not in later.out and "--write-regions" not in later.err


def test_without_a_name_that_somebody_gave_nothing_but_numbers_is_written(shoot: Path, call: Call) -> None:
    held = names_in(shoot)
    assert call("correct", shoot, "--reference", REFERENCE, "--write-regions", "--yes").code == 0
    given = {name for names in held.values() for name in names}
    assert {name for names in names_in(shoot).values() for name in names} <= given


def test_pictures_in_the_store_stay_as_they_are_whatever_is_kept_again(
    shoot: Path, call: Call, named: tuple[str, list[float]]
) -> None:
    """Measurements come from the store without their pictures; a second measure, a file that was moved and names that
    were written put them back."""
    before = proxies_in(shoot)
    assert len(before) == 8 and all(len(proxy) > 2000 for proxy in before.values())
    assert call("measure", shoot).code == 0
    assert proxies_in(shoot) == before
    assert call("correct", shoot, "--reference", REFERENCE, "--write-regions", "--yes").code == 0
    assert "Ada" in str(names_in(shoot)) and proxies_in(shoot) == before
    old = next(path for path in shoot.rglob("*.dng") if REFERENCE not in path.stem and path.name != Path(named[0]).name)
    new = old.with_name("moved.dng")
    old.rename(new)
    if old.with_suffix(".xmp").exists():
        old.with_suffix(".xmp").rename(new.with_suffix(".xmp"))
    again = call("measure", shoot, "--json").json
    assert again["frames_from_store"] == len(again["frames"]) == 8
    key, old_key = (path.relative_to(shoot).as_posix() for path in (new, old))
    assert proxies_in(shoot) == before | {key: before[old_key]}
