"""Measurements survive interruption, moving and copying; anything damaged is measured again, never trusted."""

from __future__ import annotations

import os
import sqlite3
import struct
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from xmpsync.colour.camera_profile import Calibration, CameraProfile, ProfileSource
from xmpsync.disk import fence
from xmpsync.measurement import AsShotPair, Face, FrameMeasurement, Scene
from xmpsync.records import Box, Capture
from xmpsync.skin.records import FaceSkin, Region, RegionSkin, Unusable
from xmpsync.store.database import FileKey, Store
from xmpsync.store.opening import set_aside

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
        Face("f1", Box(0.1, 0.2, 0.3, 0.4), "Ada", SKIN, None, (0.5,) * 128, None, "detector", 0.9, -4.0),
        Face("f2", Box(0.5, 0.2, 0.1, 0.1), unusable=Unusable.CLIPPED, origin="region"),
    ),
    proxy=b"\xff\xd8proxy",
    embedded_xmp=b"<x/>",
    notes=("a note",),
)
LEAN = replace(MEASUREMENT, proxy=b"")
"""As it comes back: the proxy stays in the file until it is asked for."""
KEY = FileKey("card/B1_0007.dng", 1000, 77)


@pytest.fixture(params=["relative", "by path"], autouse=True)
def way_of_opening(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """The other way is that of systems without calls relative to an open folder, Windows among them."""
    monkeypatch.setattr(fence, "RELATIVE", fence.RELATIVE and request.param == "relative")


def test_what_goes_in_comes_out(tmp_path: Path) -> None:
    with Store(tmp_path / "m.sqlite") as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
    with Store(tmp_path / "m.sqlite", read_only=True) as store:
        assert store.get(KEY, "faces-1") == LEAN
        assert store.proxy(KEY.frame_id) == MEASUREMENT.proxy
        assert store.proxy("card/B1_0008.dng") is None


def test_frames_of_one_body_share_their_profile(tmp_path: Path) -> None:
    other, third = replace(KEY, frame_id="b"), replace(KEY, frame_id="c")
    with Store(tmp_path / "m.sqlite") as store:
        store.put_all((key, "faces-1", "hash", MEASUREMENT) for key in (KEY, other))
        store.put(third, "faces-1", "hash", replace(MEASUREMENT, profile=replace(MEASUREMENT.profile, name="another")))
        one, two, three = (store.get(key, "faces-1") for key in (KEY, other, third))
        assert one is not None and two is not None and three is not None
        assert one.profile is two.profile and three.profile.name == "another"


@pytest.mark.parametrize(("key", "face_key"), [(KEY, "faces-2"), (FileKey("other/X.dng", 1000, 99), "faces-1")])
def test_what_came_without_its_proxy_is_kept_with_it(tmp_path: Path, key: FileKey, face_key: str) -> None:
    """Other names on its faces, or a file that moved: `get` gives no proxy, and putting that loses none."""
    with Store(tmp_path / "m.sqlite") as store:
        store.put(replace(KEY, frame_id="another"), "faces-1", "other content", replace(MEASUREMENT, proxy=b"other"))
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
        stored = store.get(KEY, "faces-1")
        assert stored is not None
        store.put(key, face_key, "hash", stored)
        assert store.get(key, face_key) == LEAN
        assert [store.proxy(one) for one in (key.frame_id, KEY.frame_id)] == [MEASUREMENT.proxy] * 2
        store.put(key, face_key, "a third content", stored)
        assert store.proxy(key.frame_id) is None  # that of another picture is no proxy of this one


def test_a_read_only_store_takes_nothing_and_stays_of_use(tmp_path: Path) -> None:
    """A state folder that cannot be written: measurements are not stored this time, which is no error."""
    with Store(tmp_path / "m.sqlite") as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
    with Store(tmp_path / "m.sqlite", read_only=True) as store:
        store.put(KEY, "faces-2", "hash", MEASUREMENT)
        assert not store.keeps_proxies
        assert store.get(KEY, "faces-1") == LEAN


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
        assert store.get(moved, "faces-1", content="hash") == LEAN
        assert store.get(moved, "faces-1", content="other hash") is None


def test_rekeying_keeps_the_measurement_of_a_file_whose_packet_we_changed(tmp_path: Path) -> None:
    with Store(tmp_path / "m.sqlite") as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
        new = replace(KEY, size=2000, mtime_ns=5)
        store.rekey(new, "hash2", b"<y/>")
        assert store.get(KEY, "faces-1") is None
        assert store.get(new, "faces-1") == replace(LEAN, embedded_xmp=b"<y/>")


def test_a_damaged_record_is_measured_again(tmp_path: Path) -> None:
    with Store(tmp_path / "m.sqlite") as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
    database = sqlite3.connect(tmp_path / "m.sqlite")
    database.execute("UPDATE measurement SET record = '{\"capture\": 3}'")
    database.commit()
    database.close()
    with Store(tmp_path / "m.sqlite") as store:
        assert store.get(KEY, "faces-1") is None


def test_a_store_cannot_make_a_name_certain(tmp_path: Path) -> None:
    """Only answers of the photographer are certain, and these are not kept here; a store may come from anybody."""
    claimed = replace(MEASUREMENT, faces=(replace(MEASUREMENT.faces[0], named_by_hand=True),))
    with Store(tmp_path / "m.sqlite") as store:
        store.put(KEY, "faces", "content", claimed)
        assert store.get(KEY, "faces") is None


def test_a_file_that_is_not_a_store_is_set_aside_and_said(tmp_path: Path) -> None:
    (tmp_path / "m.sqlite").write_bytes(b"not a database at all" * 100)
    with Store(tmp_path / "m.sqlite") as store:
        assert store.remark is not None
        assert "renamed to m.sqlite.set-aside-1" in store.remark
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
    assert (tmp_path / "m.sqlite.set-aside-1").read_bytes() == b"not a database at all" * 100


def test_a_store_of_another_schema_is_kept_under_another_name(tmp_path: Path) -> None:
    database = sqlite3.connect(tmp_path / "m.sqlite")
    database.execute("PRAGMA user_version = 99")
    database.commit()
    database.close()
    before = (tmp_path / "m.sqlite").read_bytes()
    with Store(tmp_path / "m.sqlite", read_only=True) as store:
        assert "schema 99" in str(store.remark)
    assert (tmp_path / "m.sqlite").read_bytes() == before
    with Store(tmp_path / "m.sqlite") as store:
        assert "schema 99" in str(store.remark)
    assert (tmp_path / "m.sqlite.set-aside-1").read_bytes() == before


def _spoil(path: Path, script: str) -> None:
    with Store(path) as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
    database = sqlite3.connect(path)
    database.executescript(script)
    database.close()


@pytest.mark.parametrize(
    "script",
    [
        "DROP TABLE pair; CREATE VIEW pair AS WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c)"
        " SELECT zeroblob(9) AS path, zeroblob(1000) AS record FROM c;",
        "CREATE TRIGGER t AFTER INSERT ON pair BEGIN DELETE FROM measurement; END;",
        "CREATE TABLE more (x);",
        "ALTER TABLE pair ADD COLUMN y GENERATED ALWAYS AS (hex(record));",
        "PRAGMA journal_mode = WAL;",
    ],
    ids=["view", "trigger", "table", "generated column", "write-ahead"],
)
def test_nothing_that_acts_is_ever_read(tmp_path: Path, script: str) -> None:
    _spoil(tmp_path / "m.sqlite", script)
    with Store(tmp_path / "m.sqlite") as store:
        assert store.remark is not None
        assert (store.pairs(), store.get(KEY, "faces-1")) == ((), None)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["m.sqlite", "m.sqlite.set-aside-1"]


@pytest.mark.parametrize("read_only", [False, True])
@pytest.mark.parametrize("relative", [False, True])
def test_a_journal_that_names_another_file_deletes_nothing(tmp_path: Path, read_only: bool, relative: bool) -> None:
    """A hot journal's end names a super-journal (Database File Format, 3): page 0, name, length, checksum, magic."""
    path, victim = tmp_path / "state" / "m.sqlite", tmp_path / "victim"
    path.parent.mkdir()
    with Store(path) as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
    victim.write_bytes(b"somebody's work")
    name = b"../victim" if relative else str(victim).encode()
    header = bytes.fromhex("d9d505f920a163d7") + struct.pack(">IIIII", 0, 1, 1, 512, 4096)
    end = struct.pack(">I", 1 << 18) + name + struct.pack(">II", len(name), sum(name)) + header[:8]
    path.with_name("m.sqlite-journal").write_bytes(header.ljust(512, b"\0") + end)
    with Store(path, read_only=read_only) as store:
        assert "journal" in str(store.remark)
    assert victim.read_bytes() == b"somebody's work"


@pytest.mark.parametrize("suffix", ["", "-journal", "-wal", "-shm"])
@pytest.mark.parametrize("kind", ["link", "hard link", "pipe", "folder"])
def test_only_plain_files_of_their_own_are_opened(tmp_path: Path, suffix: str, kind: str) -> None:
    path, victim = tmp_path / "state" / "m.sqlite", tmp_path / "victim"
    path.parent.mkdir()
    with Store(victim) as other:
        other.put(KEY, "faces-1", "hash", MEASUREMENT)
    before = victim.read_bytes()
    name = path.with_name(path.name + suffix)
    if kind == "link":
        name.symlink_to(victim)
    elif kind == "hard link":
        name.hardlink_to(victim)
    elif kind == "pipe":
        os.mkfifo(name)
    else:
        name.mkdir()
    with Store(path) as store:
        assert store.remark is not None
        store.put(KEY, "faces-2", "hash", MEASUREMENT)
    assert victim.read_bytes() == before


@pytest.mark.parametrize("column", ["record", "content"])
def test_bytes_that_are_no_text_are_measured_again(tmp_path: Path, column: str) -> None:
    _spoil(tmp_path / "m.sqlite", f"UPDATE measurement SET {column} = CAST(x'7b22c322' AS TEXT)")
    with Store(tmp_path / "m.sqlite") as store:
        assert store.get(KEY, "faces-1") is None or column == "content"
        store.forget_identities()


def test_a_schema_that_is_not_text_is_set_aside(tmp_path: Path) -> None:
    with Store(tmp_path / "m.sqlite") as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
    data = (tmp_path / "m.sqlite").read_bytes()
    (tmp_path / "m.sqlite").write_bytes(data.replace(b"mtime_ns INTEGER", b"mtime_n\xc3 INTEGER"))
    with Store(tmp_path / "m.sqlite") as store:
        assert store.remark is not None


def test_a_page_that_is_used_twice_is_damage(tmp_path: Path) -> None:
    """Without the check a few such pages make a table endless."""
    path = tmp_path / "m.sqlite"
    with Store(path) as store:
        store.add_pairs([AsShotPair(f"{k:06}", "Boatworks/B1", (0.4, 1.0, 0.7), 5200.0, 7.0) for k in range(2000)])
    (root,) = sqlite3.connect(path).execute("SELECT rootpage FROM sqlite_master WHERE name = 'pair'").fetchone()
    data = bytearray(path.read_bytes())
    page = (root - 1) * 4096
    assert data[page] == 5  # an interior page of a table (Database File Format, 1.6)
    cells = struct.unpack_from(">H", data, page + 3)[0]
    first = struct.unpack_from(">H", data, page + 12)[0]
    for k in range(cells):
        (cell,) = struct.unpack_from(">H", data, page + 12 + 2 * k)
        data[page + cell : page + cell + 4] = data[page + first : page + first + 4]
    path.write_bytes(data)
    with Store(path) as store:
        assert "damaged" in str(store.remark)


def test_without_a_path_nothing_touches_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with Store(None) as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
        assert store.get(KEY, "faces-1") == LEAN
    assert list(tmp_path.iterdir()) == []


def test_pairs_are_kept_once_and_names_need_not_be_utf8(tmp_path: Path) -> None:
    odd = b"caf\xe9.dng".decode("utf-8", "surrogateescape")
    pair = AsShotPair(odd, "Boatworks/B1", (0.4, 1.0, 0.7), 5200.0, 7.0)
    with Store(tmp_path / "m.sqlite") as store:
        store.add_pairs([pair])
        store.add_pairs([replace(pair, tint=9.0)])
        store.put(replace(KEY, frame_id=odd), "k", "h", MEASUREMENT)
    with Store(tmp_path / "m.sqlite") as store:
        assert store.pairs() == (replace(pair, tint=9.0),)
        assert store.get(replace(KEY, frame_id=odd), "k") == LEAN


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


def _of_schema_1(path: Path) -> None:
    """A store as the first version made it: one table more, one less, and nothing else apart."""
    with Store(path) as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
    database = sqlite3.connect(path)
    database.executescript(
        "DROP TABLE sidecar; CREATE TABLE mark (path BLOB NOT NULL, record BLOB NOT NULL, PRIMARY KEY (path, record));"
        "PRAGMA user_version = 1;"
    )
    database.close()


@pytest.mark.parametrize("read_only", [True, False])
def test_a_store_of_an_earlier_schema_is_taken_over(tmp_path: Path, read_only: bool) -> None:
    path = tmp_path / "m.sqlite"
    _of_schema_1(path)
    for _ in range(2):
        with Store(path, read_only=read_only) as store:
            assert store.remark is None
            assert store.get(KEY, "faces-1") == LEAN
            assert store.sidecars() == {}
    (tables,) = sqlite3.connect(path).execute("SELECT count(*) FROM sqlite_master WHERE name = 'mark'").fetchone()
    assert tables == (1 if read_only else 0)


def test_a_store_of_the_schema_before_sidecars_is_taken_over(tmp_path: Path) -> None:
    path = tmp_path / "m.sqlite"
    with Store(path) as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
    database = sqlite3.connect(path)
    database.executescript("DROP TABLE sidecar; PRAGMA user_version = 2;")
    database.close()
    with Store(path) as store:
        assert store.remark is None and store.get(KEY, "faces-1") == LEAN
        store.put_sidecars([("a.nef", "0" * 64, b"{}")])
        assert store.sidecars() == {"a.nef": ("0" * 64, b"{}")}
    with Store(path, read_only=True) as store:
        store.put_sidecars([("a.nef", "1" * 64, b"{}")])
        assert store.sidecars() == {"a.nef": ("0" * 64, b"{}")}


def test_a_store_that_only_claims_an_earlier_schema_is_set_aside(tmp_path: Path) -> None:
    _spoil(tmp_path / "m.sqlite", "CREATE VIEW mark AS SELECT 1 AS path, 2 AS record; PRAGMA user_version = 1;")
    with Store(tmp_path / "m.sqlite") as store:
        assert "other tables" in str(store.remark)


@pytest.mark.skipif(sys.platform == "win32", reason="links need a right there")
def test_set_aside_stores_are_deleted_on_request_and_never_what_links_lead_to(tmp_path: Path) -> None:
    path, victim = tmp_path / "state" / "m.sqlite", tmp_path / "victim"
    path.parent.mkdir()
    victim.write_bytes(b"somebody's work")
    _spoil(path, "CREATE TABLE more (x);")
    with Store(path):
        pass
    (path.parent / "m.sqlite.set-aside-2").symlink_to(victim)
    (path.parent / "m.sqlite.set-aside-3").mkdir()
    names = ("m.sqlite.set-aside-1", "m.sqlite.set-aside-2", "m.sqlite.set-aside-3")
    assert set_aside(path) == names
    with Store(path) as store:
        assert store.delete_set_aside() == names[:2]
    assert set_aside(path) == names[2:]
    assert victim.read_bytes() == b"somebody's work"


@pytest.mark.parametrize("number", ["1e12", "1E+15", "2e300", "1000000000000", "-123456789012345.5", "12e11", "0.5e13"])
def test_numbers_that_no_measurement_holds_are_measured_again(tmp_path: Path, number: str) -> None:
    path = tmp_path / "m.sqlite"
    with Store(path) as store:
        store.put(KEY, "faces-1", "hash", MEASUREMENT)
    database = sqlite3.connect(path)
    (record,) = database.execute("SELECT record FROM measurement").fetchone()
    assert b'"iso":400.0' in record
    database.execute(
        "UPDATE measurement SET record = ?", (record.replace(b'"iso":400.0', b'"iso":' + number.encode()),)
    )
    database.commit()
    database.close()
    with Store(path) as store:
        assert store.get(KEY, "faces-1") is None
