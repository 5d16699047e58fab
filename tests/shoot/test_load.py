"""Sidecars are parsed once: what they say is kept beside the hash of their bytes, and never trusted for writing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from tests.xmp.samples import attributes
from xmpsync.errors import FrameError
from xmpsync.plan.edits import SidecarEdit, edit_all
from xmpsync.plan.options import Options
from xmpsync.shoot import load as loading
from xmpsync.shoot.load import Loaded, find, read_sidecars
from xmpsync.store.database import Store
from xmpsync.store.sidecars import Reading, read, to_record
from xmpsync.write.plan import sha256
from xmpsync.xmp.edit import Change, apply_change

PACKET = attributes('crs:Temperature="4000" crs:Tint="+1" crs:WhiteBalance="Custom"')


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many sidecars each loading parsed."""
    counts: list[int] = []
    parsed = loading.parsed

    def counting(packets: Sequence[bytes], n_workers: int) -> object:
        counts.append(len(packets))
        return parsed(packets, n_workers)

    monkeypatch.setattr(loading, "parsed", counting)
    return counts


def make(root: Path) -> None:
    for name in "abc":
        (root / f"{name}.nef").write_bytes(b"raw")
        (root / f"{name}.xmp").write_bytes(PACKET)
    (root / "c.xmp").write_bytes(b"<broken")


def loaded(root: Path, store: Store, **how: bool) -> Loaded:
    return read_sidecars(find(root, Options()), Options(), store, **how)


def test_only_what_changed_is_parsed_again(tmp_path: Path, counted: list[int]) -> None:
    make(tmp_path)
    with Store(None) as store:
        first = loaded(tmp_path, store)
        (tmp_path / "b.xmp").write_bytes(PACKET.replace(b"4000", b"4444"))
        second = loaded(tmp_path, store)
        third = loaded(tmp_path, store, anew=True)
    assert counted == [3, 2, 3]  # the malformed one is read every time
    assert [t.frame_id for t in first.troubles] == [t.frame_id for t in second.troubles] == ["c.nef"]
    assert first.frames[0] == second.frames[0] == third.frames[0]
    assert second.frames == third.frames
    assert [f.settings and f.settings.temperature_k for f in second.frames] == [4000.0, 4444.0]


def test_a_remembered_reading_that_is_not_of_these_bytes_writes_nothing(tmp_path: Path, counted: list[int]) -> None:
    make(tmp_path)
    reading = read(PACKET)
    lie = Reading(replace(reading.settings, temperature_k=9000.0), reading.regions)
    change = Change(temperature_k=5200, tint=4, exposure_ev=0.25, in_force=True)
    with Store(None) as store:
        store.put_sidecars([("a.nef", sha256(PACKET), to_record(lie))])
        source = loaded(tmp_path, store).frames[0]
        assert source.settings == lie.settings  # believed for the values that are proposed
        (after,) = edit_all([SidecarEdit(source.sidecar, None, change, source.settings)], 1)
        assert isinstance(after, FrameError) and "--remeasure" in after.next_step
        source = loaded(tmp_path, store, anew=True).frames[0]
        assert loaded(tmp_path, store).frames[0] == source  # and the lie is gone
    (after,) = edit_all([SidecarEdit(source.sidecar, None, change, source.settings)], 1)
    assert after == apply_change(PACKET, change)
