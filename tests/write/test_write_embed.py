"""Writing into a DNG's own packet: only the packet changes, a second TIFF reader agrees, rollback is exact.

The second reader is tifffile; the structures are those of TIFF 6.0, section 2, and XMP part 3 (tag 700).
"""

from __future__ import annotations

import hashlib
import io
import struct
from pathlib import Path

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st

from tests.write.disk import AnyDisk, Shoot, corrected, packet, rated
from tests.write.simfs import SimFS
from tests.write.tinydng import XMP_TAG, tiny_dng
from xmpsync.errors import LeftAlone, Refused
from xmpsync.write import embed, patch
from xmpsync.write.dng_structure import EmbedRefused
from xmpsync.write.patch import Condition, Patch, Spliced
from xmpsync.write.perform import perform
from xmpsync.write.plan import ChangeKind, FileChange, Plan, sha256
from xmpsync.write.recover import recover
from xmpsync.write.rollback import Action, perform_rollback, plan_rollback
from xmpsync.write.runs import list_runs, verify_runs, written_by_us
from xmpsync.xmp.edit import Change, our_fields, replace_in_place

PADDED = (
    packet()
    .replace(b"</x:xmpmeta>\n", b"</x:xmpmeta>\n" + b" " * 200 + b'\n<?xpacket end="w"?>')
    .replace(b"<x:xmpmeta", b'<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?>\n<x:xmpmeta', 1)
)


def _tags(data: bytes) -> dict[int, object]:
    """Every tag of every directory but the packet, as tifffile reads it."""
    with tifffile.TiffFile(io.BytesIO(data)) as file:
        found = {}
        for nth, page in enumerate(file.pages):
            for tag in page.tags:
                if tag.code != XMP_TAG:
                    found[nth, tag.code] = (tag.dtype, tag.count, tag.value)
        return found


def _packet(data: bytes) -> bytes | None:
    with tifffile.TiffFile(io.BytesIO(data)) as file:
        tag = file.pages[0].tags.get(XMP_TAG)
        return None if tag is None else bytes(tag.value)


def _image_hash(data: bytes) -> str:
    with tifffile.TiffFile(io.BytesIO(data)) as file:
        return hashlib.sha256(file.pages[0].asarray().tobytes()).hexdigest()


def _written() -> bytes:
    data = io.BytesIO()
    image = np.arange(64 * 48, dtype=np.uint16).reshape(48, 64)
    extra = [(XMP_TAG, "B", len(PADDED), PADDED, True), (50706, "B", 4, bytes((1, 6, 0, 0)), True)]
    tifffile.imwrite(data, image, photometric="minisblack", rowsperstrip=7, metadata=None, extratags=extra)
    return data.getvalue()


CASES = {
    "little endian": lambda: tiny_dng("<", PADDED),
    "big endian": lambda: tiny_dng(">", PADDED),
    "odd length": lambda: tiny_dng("<", PADDED, odd=1),
    "by another library": _written,
}
WITHOUT = {
    "no packet, little endian": lambda: tiny_dng("<", None),
    "no packet, big endian": lambda: tiny_dng(">", None, odd=1),
}


def _embedded(shoot: Shoot, raw: bytes, new: bytes) -> bytes:
    shoot.put("a.dng", raw)
    outcome = shoot.run(shoot.embedding("a.dng", new))
    assert outcome.written == ("a.dng",)
    assert verify_runs(shoot.state) == ()
    return shoot.read("a.dng")


@pytest.mark.parametrize("case", CASES)
def test_in_place_only_the_packets_bytes_differ(shoot: Shoot, case: str) -> None:
    raw = CASES[case]()
    new = replace_in_place(PADDED, Change(temperature_k=6543, tint=1, exposure_ev=1.25), len(PADDED))
    assert new is not None
    after = _embedded(shoot, raw, new)
    at = raw.index(PADDED)
    assert len(after) == len(raw)
    assert after[:at] + after[at + len(PADDED) :] == raw[:at] + raw[at + len(PADDED) :]
    assert (_packet(after), _tags(after), _image_hash(after)) == (new, _tags(raw), _image_hash(raw))


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("extra", [1, 2, 4001])
def test_a_longer_packet_is_appended_and_the_tag_repointed(shoot: Shoot, case: str, extra: int) -> None:
    raw = CASES[case]()
    new = PADDED + b" " * extra
    after = _embedded(shoot, raw, new)
    assert (_packet(after), _tags(after), _image_hash(after)) == (new, _tags(raw), _image_hash(raw))
    differing = [at for at in range(len(raw)) if raw[at] != after[at]]
    assert max(differing) - min(differing) < 8  # count and offset of one entry, nothing else
    assert after.index(new, len(raw)) % 2 == 0  # values begin on an even byte


@pytest.mark.parametrize("case", ["no packet, little endian", "no packet, big endian"])
def test_a_file_without_the_tag_gets_it_in_a_copy_of_its_directory(shoot: Shoot, case: str) -> None:
    raw = WITHOUT[case]()
    new = packet() + b" "  # odd or even, both occur
    after = _embedded(shoot, raw, new)
    assert (_packet(after), _tags(after), _image_hash(after)) == (new, _tags(raw), _image_hash(raw))
    assert after[8 : len(raw)] == raw[8:]  # all but the header's pointer stays


def test_a_shorter_packet_lowers_the_tags_count(shoot: Shoot) -> None:
    raw, new = tiny_dng(">", PADDED), packet()
    after = _embedded(shoot, raw, new)
    assert (_packet(after), _tags(after), len(after)) == (new, _tags(raw), len(raw))


@pytest.mark.parametrize("raw", [*(make() for make in CASES.values()), tiny_dng("<", None), tiny_dng(">", None)])
@pytest.mark.parametrize("new", [PADDED.replace(b"4000", b"5000"), PADDED + b"   ", packet()])
def test_rollback_gives_the_very_file_back(shoot: Shoot, raw: bytes, new: bytes) -> None:
    _embedded(shoot, raw, new)
    plan = plan_rollback(shoot.root, shoot.state)
    assert [step.action for step in plan.steps] == [Action.RESTORE]
    perform_rollback(plan, shoot.root, shoot.state)
    assert shoot.read("a.dng") == raw
    perform_rollback(plan_rollback(shoot.root, shoot.state, "2"), shoot.root, shoot.state)  # and again forth
    assert _packet(shoot.read("a.dng")) == new


@given(raw=st.binary(max_size=400), order=st.sampled_from([b"II*\0", b"MM\0*"]))
def test_a_random_file_is_refused_or_read_in_bounds(raw: bytes, order: bytes) -> None:
    fs = SimFS()
    fs.place("/a.dng", order + raw)
    try:
        made = embed.make_patch(fs, Path("/a.dng"), b"<packet/>")
    except EmbedRefused:
        return
    fs_data = order + raw
    for span in made.spans:
        assert fs_data[span.offset : span.offset + len(span.old)] == span.old


@given(
    order=st.sampled_from("<>"),
    old=st.one_of(st.none(), st.binary(min_size=5, max_size=60)),
    new=st.binary(min_size=5, max_size=60),
    odd=st.integers(0, 1),
)
def test_any_packet_in_any_layout_reads_back_and_undoes(order: str, old: bytes | None, new: bytes, odd: int) -> None:
    raw, path = tiny_dng(order, old, odd=odd), Path("/a.dng")
    fs = SimFS()
    fs.place("/a.dng", raw)
    made = embed.make_patch(fs, path, new)
    expected = patch.patched_sha256(fs, path, made)
    assert patch.examine(fs, path, made) is (Condition.NEW if old == new else Condition.OLD) or old == new
    patch.apply(fs, path, made)
    assert sha256(fs.read(path)) == expected == patch.file_sha256(fs, path)
    assert embed.read_packet(fs, path) == new == made.packet_after() == _packet(fs.read(path))
    assert made.packet_before() == old
    assert _tags(fs.read(path)) == _tags(raw)
    patch.apply(fs, path, made.reversed())
    assert fs.read(path) == raw


def _broken(raw: bytes, at: int, new: bytes) -> bytes:
    return raw[:at] + new + raw[at + len(new) :]


def _entry_at(raw: bytes, tag: int) -> int:
    return raw.index(struct.pack("<HH", tag, 1))


ODD = {
    "empty": (b"", "not a TIFF"),
    "text": (b"hello, world", "not a TIFF"),
    "another magic": (b"II" + struct.pack("<HI", 7, 8), "not a TIFF"),
    "BigTIFF": (b"II" + struct.pack("<HI", 43, 8), "BigTIFF"),
    "directory outside": (b"II" + struct.pack("<HI", 42, 999), "outside the file"),
    "directory in the header": (b"II" + struct.pack("<HI", 42, 4), "outside the file"),
    "directory cut off": (tiny_dng("<", PADDED)[:-10], "cut off"),
    "wrong type": (
        _broken(tiny_dng("<", PADDED), _entry_at(tiny_dng("<", PADDED), XMP_TAG) + 2, struct.pack("<H", 2)),
        "field type 2",
    ),
    "past the end": (
        _broken(tiny_dng("<", PADDED), _entry_at(tiny_dng("<", PADDED), XMP_TAG) + 8, struct.pack("<I", 60_000)),
        "past the end",
    ),
    "over the header": (
        _broken(tiny_dng("<", PADDED), _entry_at(tiny_dng("<", PADDED), XMP_TAG) + 8, struct.pack("<I", 4)),
        "overlaps another structure at byte 0",
    ),
    "over another value": (
        _broken(tiny_dng("<", PADDED), _entry_at(tiny_dng("<", PADDED), XMP_TAG) + 8, struct.pack("<I", 36)),
        "overlaps another structure at byte 40",
    ),
    "repeated tag": (
        _broken(tiny_dng("<", PADDED), _entry_at(tiny_dng("<", PADDED), 50706), struct.pack("<H", XMP_TAG)),
        "repeated or out of order",
    ),
}


@pytest.mark.parametrize("case", ODD)
def test_odd_structures_are_refused_and_the_file_left_alone(shoot: Shoot, case: str) -> None:
    raw, why = ODD[case]
    shoot.put("a.dng", raw)
    outcome = shoot.run(shoot.embedding("a.dng", packet()), shoot.change("b.xmp", packet()))
    assert why in outcome.left_alone[0].reason
    assert "a.dng" in outcome.left_alone[0].reason
    assert shoot.read("a.dng") == raw
    assert outcome.written == ("b.xmp",)  # the others go on


def test_a_packet_that_stands_inside_its_entry_is_moved_out(shoot: Shoot) -> None:
    raw = tiny_dng("<", PADDED)
    at = _entry_at(raw, XMP_TAG)
    raw = _broken(raw, at + 4, struct.pack("<I", 3) + b"<a>\0")
    after = _embedded(shoot, raw, packet())
    assert _packet(after) == packet()
    perform_rollback(plan_rollback(shoot.root, shoot.state), shoot.root, shoot.state)
    assert shoot.read("a.dng") == raw


def test_a_packet_too_short_to_be_one_is_refused(shoot: Shoot) -> None:
    shoot.put("a.dng", tiny_dng())
    assert "is no packet" in shoot.run(shoot.embedding("a.dng", b"<a/>")).left_alone[0].reason


def test_a_file_that_would_outgrow_four_gigabytes_is_refused() -> None:
    class Huge(SimFS):
        def stat(self, path: Path):  # type: ignore[no-untyped-def]
            found = super().stat(path)
            assert found is not None
            return type(found)(0xFFFF_FFF0, False, True, False, 1)

    fs = Huge()
    fs.place("/a.dng", tiny_dng("<", packet()))
    with pytest.raises(EmbedRefused, match="4 GB"):
        embed.make_patch(fs, Path("/a.dng"), packet() + b"  ")


def test_there_is_no_packet_in_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(EmbedRefused, match="no such file"):
        embed.read_packet(AnyDisk(), tmp_path / "a.dng")


def test_a_raw_that_changed_since_the_plan_refuses_the_run(shoot: Shoot) -> None:
    shoot.put("a.dng", tiny_dng("<", PADDED))
    change = shoot.embedding("a.dng", packet())
    shoot.put("a.dng", tiny_dng("<", PADDED, odd=1))
    with pytest.raises(Refused, match=r"a\.dng"):
        shoot.run(change)
    (shoot.root / "a.dng").unlink()
    with pytest.raises(Refused, match=r"a\.dng \(gone\)"):
        shoot.run(change)


def test_a_raw_that_holds_the_packet_already_is_not_opened(shoot: Shoot) -> None:
    shoot.put("a.dng", tiny_dng("<", PADDED))
    assert shoot.run(shoot.embedding("a.dng", PADDED)).run_id is None


def test_a_raw_with_other_names_is_left_alone(shoot: Shoot) -> None:
    path = shoot.put("a.dng", tiny_dng("<", PADDED))
    (shoot.root / "b.dng").hardlink_to(path)
    outcome = shoot.run(shoot.embedding("a.dng", packet()))
    assert outcome.left_alone == (LeftAlone("a.dng", "it has other names (hard links), which would change with it"),)
    assert shoot.read("b.dng") == tiny_dng("<", PADDED)


def test_bytes_of_ours_are_known_by_the_file_and_by_its_packet(shoot: Shoot) -> None:
    shoot.put("a.dng", tiny_dng("<", PADDED))
    shoot.run(shoot.embedding("a.dng", packet(), baseline=7))
    known = written_by_us(shoot.state)["a.dng"]
    assert known == {sha256(shoot.read("a.dng")): {"baseline": 7}, sha256(packet()): {"baseline": 7}}


@pytest.mark.parametrize("how", ["in place", "append"])
def test_after_somebody_elses_edit_only_our_fields_go_back(shoot: Shoot, how: str) -> None:
    old = packet() + b" " * (0 if how == "append" else 200)
    ours = corrected(packet())
    _embedded(shoot, tiny_dng("<", old), ours + b" " * (len(old) - len(ours) if how == "in place" else 30))
    theirs = rated(embed.read_packet(AnyDisk(), shoot.root / "a.dng") or b"")
    fs = AnyDisk()
    patch.apply(fs, shoot.root / "a.dng", embed.make_patch(fs, shoot.root / "a.dng", theirs))
    plan = plan_rollback(shoot.root, shoot.state)
    assert [step.action for step in plan.steps] == [Action.FIELDS]
    perform_rollback(plan, shoot.root, shoot.state)
    now = embed.read_packet(fs, shoot.root / "a.dng") or b""
    assert our_fields(now) == our_fields(packet())
    assert b'Rating="5"' in now
    assert _image_hash(shoot.read("a.dng")) == _image_hash(tiny_dng("<", packet()))


def test_an_embedded_packet_that_cannot_go_back_is_left_and_says_why(shoot: Shoot) -> None:
    def reason() -> str:
        (item,) = plan_rollback(shoot.root, shoot.state).left_alone
        return item.reason

    raw = tiny_dng("<", PADDED)
    after = _embedded(shoot, raw, corrected(packet()))
    shoot.put("a.dng", after.replace(b"6000", b"7000"))
    assert reason() == "our own fields were changed since"
    shoot.put("a.dng", tiny_dng("<", None))
    assert "no packet to put our fields back into" in reason()
    shoot.put("a.dng", b"no tiff at all")
    assert "not a TIFF" in reason()
    (shoot.root / "a.dng").unlink()
    assert reason() == "it is gone"
    shoot.put("a.dng", tiny_dng("<", rated(packet())))
    (step,) = plan_rollback(shoot.root, shoot.state, force=True).steps
    assert step.action is Action.NOTHING


def test_recovery_leaves_a_raw_that_somebody_changed_and_puts_back_one_that_is_ours(shoot: Shoot) -> None:
    raw = tiny_dng("<", PADDED)
    for name in "abc":
        shoot.put(f"{name}.dng", raw)
    shoot.run(*(shoot.embedding(f"{name}.dng", PADDED + b"  ") for name in "abc"))
    folder = shoot.state / "runs" / list_runs(shoot.state)[0].run_id
    (folder / "outcome.json").unlink()
    shoot.put("a.dng", shoot.read("a.dng") + b"more")
    (folder / "originals" / "c.dng.changed-bytes").unlink()
    report = recover(shoot.root, shoot.state)
    assert report is not None
    assert report.taken_back == ("b.dng",)
    assert report.left[0].reason == "it was changed by somebody else since"
    assert "cannot be put back" in report.left[1].reason
    assert shoot.read("b.dng") == raw


@pytest.mark.parametrize("wrong", ["inside the span", "outside the spans", "shorter", "gone"])
def test_a_patch_knows_foreign_bytes(shoot: Shoot, wrong: str) -> None:
    fs, path = AnyDisk(), shoot.put("a.dng", tiny_dng("<", PADDED))
    made = embed.make_patch(fs, path, PADDED.replace(b"4000", b"5000"))
    data = path.read_bytes()
    at = data.index(b"4000")
    if wrong == "inside the span":
        path.write_bytes(_broken(data, at, b"9000"))
    elif wrong == "outside the spans":
        path.write_bytes(_broken(data, 10, b"?"))
    elif wrong == "shorter":
        path.write_bytes(data[:-1])
    else:
        path.unlink()
    assert patch.examine(fs, path, made) is Condition.FOREIGN
    path.write_bytes(_broken(data, at, b"5"))
    assert patch.examine(fs, path, made) in (Condition.NEW, Condition.MIXED)


def test_a_packet_outside_the_spans_is_a_bug_that_speaks() -> None:
    broken = Patch(10, 10, "", (Spliced(2, b"ab", b"cd"),), (4, 3), None)
    with pytest.raises(ValueError, match="outside the spans"):
        broken.packet_before()
    assert broken.packet_after() is None


def test_a_file_that_ends_early_while_it_is_hashed_ends_the_hash(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"12345")
    assert patch.outside_sha256(AnyDisk(), path, 99, []) == sha256(b"12345")


def test_an_undo_of_a_run_that_does_not_know_the_file_is_left_alone(shoot: Shoot) -> None:
    shoot.put("a.dng", tiny_dng())
    shoot.run(shoot.change("b.xmp", packet()))
    for run in ("0009-20300101T000000Z", list_runs(shoot.state)[0].run_id):
        before = sha256(shoot.read("a.dng"))
        outcome = shoot.run(FileChange("a.dng", ChangeKind.EMBEDDED, before, None, undo_of=run))
        assert "does not say what it changed" in outcome.left_alone[0].reason


def test_a_raw_saved_by_somebody_right_before_its_turn_is_left_alone(shoot: Shoot) -> None:
    class Saving(AnyDisk):
        def copy_attributes(self, model: Path, target: Path) -> bool:
            shoot.put("b.dng", tiny_dng("<", PADDED, odd=1))
            return super().copy_attributes(model, target)

    shoot.put("a.xmp", packet())
    shoot.put("b.dng", tiny_dng("<", PADDED))
    plan = Plan((shoot.change("a.xmp", corrected(packet())), shoot.embedding("b.dng", packet())))
    outcome = perform(plan, shoot.root, shoot.state, fs=Saving())
    assert outcome.left_alone[0].name == "b.dng"
    assert shoot.read("b.dng") == tiny_dng("<", PADDED, odd=1)
