"""Measurements survive interruption, moving and copying; anything damaged is measured again, never trusted."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from xmpsync.colour.profile import Calibration, CameraProfile, ProfileSource
from xmpsync.errors import DiskNeedsAttention
from xmpsync.records import Box, Capture
from xmpsync.skin.records import FaceSkin, Region, RegionSkin, Unusable
from xmpsync.solve.problem import Scene
from xmpsync.store.database import FileKey, Store
from xmpsync.store.measurement import FrameMeasurement, Mark, MeasuredFace, Pair

COVARIANCE = ((1e-4, 0.0, 0.0), (0.0, 1e-4, 0.0), (0.0, 0.0, 1e-4))
SKIN = FaceSkin((0.2, 0.3, 0.1), COVARIANCE, 900, (RegionSkin(Region.NOSE, (0.2, 0.3, 0.1), COVARIANCE, 90),))
MEASUREMENT = FrameMeasurement(
    capture=Capture(make="Boatworks", model="B1", time_s=12.25, iso=400.0),
    unique_camera_model="Boatworks B1",
    profile=CameraProfile(
        (Calibration(2856.0, ((0.9, -0.2, 0.0), (-0.4, 1.2, 0.2), (0.0, 0.1, 0.6))),), source=ProfileSource.TABLE
    ),
    as_shot_neutral=(0.5, 1.0, 0.7),
    scene=Scene((0.1, 0.2), (-2.0, -1.5, -2.5), 0.01, (0.9,)),
    faces=(
        MeasuredFace("f1", Box(0.1, 0.2, 0.3, 0.4), "detector", "Ada", 0.9, -4.0, SKIN, None, (0.5,) * 128),
        MeasuredFace("f2", Box(0.5, 0.2, 0.1, 0.1), "region", unusable=Unusable.CLIPPED),
    ),
    proxy=b"\xff\xd8proxy",
    embedded_xmp=b"<x/>",
    notes=("a note",),
)
KEY = FileKey("card/B1_0007.dng", 1000, 77)


def test_what_goes_in_comes_out(tmp_path: Path) -> None:
    with Store(tmp_path / "m.sqlite") as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
    with Store(tmp_path / "m.sqlite", read_only=True) as store:
        assert store.get(KEY, "faces-1") == MEASUREMENT


@pytest.mark.parametrize(
    ("key", "face_key"),
    [
        (replace(KEY, size=1001), "faces-1"),
        (replace(KEY, mtime_ns=78), "faces-1"),
        (replace(KEY, frame_id="card/B1_0008.dng"), "faces-1"),
        (KEY, "faces-2"),
    ],
)
def test_a_changed_file_or_other_faces_are_not_found(tmp_path: Path, key: FileKey, face_key: str) -> None:
    with Store(tmp_path / "m.sqlite") as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
        assert store.get(key, face_key) is None


def test_a_moved_and_touched_file_is_found_by_content(tmp_path: Path) -> None:
    with Store(tmp_path / "m.sqlite") as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
        moved = FileKey("other/X.dng", 1000, 99)
        assert store.get(moved, "faces-1", content="hash") == MEASUREMENT
        assert store.get(moved, "faces-1", content="other hash") is None


def test_rekeying_keeps_the_measurement_of_a_file_whose_packet_we_changed(tmp_path: Path) -> None:
    with Store(tmp_path / "m.sqlite") as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
        new = replace(KEY, size=2000, mtime_ns=5)
        store.rekey(new, "hash2", b"<y/>")
        assert store.get(KEY, "faces-1") is None
        assert store.get(new, "faces-1") == replace(MEASUREMENT, embedded_xmp=b"<y/>")


def test_a_damaged_record_is_measured_again(tmp_path: Path) -> None:
    with Store(tmp_path / "m.sqlite") as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
    database = sqlite3.connect(tmp_path / "m.sqlite")
    database.execute("UPDATE measurement SET record = '{\"capture\": 3}'")
    database.commit()
    database.close()
    with Store(tmp_path / "m.sqlite") as store:
        assert store.get(KEY, "faces-1") is None


def test_a_file_that_is_no_store_is_named_with_the_way_out(tmp_path: Path) -> None:
    (tmp_path / "m.sqlite").write_bytes(b"not a database at all" * 100)
    with pytest.raises(DiskNeedsAttention, match=r"m\.sqlite.*--no-store"):
        Store(tmp_path / "m.sqlite")


def test_a_store_of_another_schema_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    database = sqlite3.connect(tmp_path / "m.sqlite")
    database.execute("PRAGMA user_version = 99")
    database.commit()
    database.close()
    before = (tmp_path / "m.sqlite").read_bytes()
    with pytest.raises(DiskNeedsAttention, match="schema 99"):
        Store(tmp_path / "m.sqlite")
    assert (tmp_path / "m.sqlite").read_bytes() == before


def test_without_a_path_nothing_touches_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with Store(None) as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
        assert store.get(KEY, "faces-1") == MEASUREMENT
    assert list(tmp_path.iterdir()) == []


def test_marks_and_pairs_are_kept_once_and_names_need_not_be_utf8(tmp_path: Path) -> None:
    odd = b"caf\xe9.dng".decode("utf-8", "surrogateescape")
    mark = Mark(odd, "skin", 0.25, 0.5, "Ada")
    pair = Pair(odd, "Boatworks/B1", (0.4, 1.0, 0.7), 5200.0, 7.0)
    with Store(tmp_path / "m.sqlite") as store:
        store.add_marks([mark, mark, Mark("a.dng", "neutral", 0.1, 0.1)])
        store.add_pairs([pair])
        store.add_pairs([replace(pair, tint=9.0)])
        store.put(replace(KEY, frame_id=odd), "k", "h", MEASUREMENT)
    with Store(tmp_path / "m.sqlite") as store:
        assert store.marks() == (Mark("a.dng", "neutral", 0.1, 0.1), mark)
        assert store.pairs() == (replace(pair, tint=9.0),)
        assert store.get(replace(KEY, frame_id=odd), "k") == MEASUREMENT


def test_identities_are_forgotten_on_request_and_gone_from_the_file(tmp_path: Path) -> None:
    with Store(tmp_path / "m.sqlite") as store:
        store.put(
            KEY,
            "faces-1",
            "hash",
            replace(MEASUREMENT, faces=(replace(MEASUREMENT.faces[0], identity=(0.123456789,) * 128),)),
        )
    assert b"0.123456789" in (tmp_path / "m.sqlite").read_bytes()
    with Store(tmp_path / "m.sqlite") as store:
        assert store.forget_identities() == 1
        kept = store.get(KEY, "faces-1")
        assert kept is not None and kept.faces[0].identity is None and kept.faces[0].skin == SKIN
    assert b"0.123456789" not in (tmp_path / "m.sqlite").read_bytes()
