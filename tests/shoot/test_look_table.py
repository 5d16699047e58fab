"""Whole shoots over the table of compared properties: one property a frame, and everything alike.

Each sidecar is then edited and taken back: byte for byte what it was.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pytest

from tests.shoot.test_look_findings import looked, named, standing
from tests.xmp.samples import attributes
from xmpsync.shoot.look_findings import LOOK_CODES, look_groups
from xmpsync.shoot.look_findings import with_looks as found_in
from xmpsync.solve.problem import Reference, Request
from xmpsync.solve.solution import Basis, Code, FrameResult, Solution
from xmpsync.xmp.edit import Change, apply_change, restore_fields
from xmpsync.xmp.looks import LOCAL_CORRECTIONS, LOOK_TABLE, LookRow, Process
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.settings import read_settings

CORPUS = sorted((Path(__file__).parents[1] / "xmp" / "packets").glob("valid/*.xmp")) or sorted(
    (Path(__file__).parents[1] / "xmp" / "packets").rglob("*.xmp")
)
CHANGE = Change(temperature_k=5210, tint=7, exposure_ev=0.35, in_force=True)
VERSION = {Process.NEWER: "11.0", Process.OLDER: "5.7"}
FIRST_NEEDED = {row.needs[0] for row in LOOK_TABLE.values() if row.needs}
"""Set in every frame, the reference too, so that what needs one of them has an effect."""


def text_of(row: LookRow, *, differs: bool) -> tuple[str, str]:
    """Attributes and children that set a property: to what all frames hold, or to another value."""
    local = row.local
    if local == "Look":
        return (
            "",
            f'<crs:Look rdf:parseType="Resource"><crs:Name>{"Warm" if differs else "Plain"}</crs:Name></crs:Look>',
        )
    if isinstance(row.default, tuple):
        middle = "<rdf:li>64, 90</rdf:li>" if differs else "<rdf:li>64, 70</rdf:li>"
        points = f"<rdf:li>0, 0</rdf:li>{middle}<rdf:li>255, 255</rdf:li>"
        return "", f"<crs:{local}><rdf:Seq>{points}</rdf:Seq></crs:{local}>"
    if isinstance(row.default, str):
        value = ("True" if differs else "False") if row.default == "False" else ("Portrait" if differs else "Plain")
    else:
        value = f"{row.default + (11 if differs else 4):g}"
    return f'crs:{local}="{value}"', ""


def frame(process: Process, rows: Iterable[LookRow], other: str | None, *, full: bool) -> bytes:
    """A sidecar with every property set (`full`) or only those that others need, `other` to a value of its own."""
    held, inner = [f'crs:ProcessVersion="{VERSION[process]}"'], []
    for row in rows:
        if full or row.local == other or row.local in FIRST_NEEDED:
            attribute, child = text_of(row, differs=row.local == other)
            held.append(attribute)
            inner.append(child)
    return attributes(" ".join(held), "".join(inner))


@pytest.mark.parametrize("full", [False, True])
@pytest.mark.parametrize("process", VERSION)
def test_where_each_frame_differs_in_one_property_every_frame_is_named_with_it(process: Process, full: bool) -> None:
    rows = [row for row in LOOK_TABLE.values() if row.process in (process, Process.ANY)]
    packets = {row.local: frame(process, rows, row.local, full=full) for row in rows}
    packets |= {"reference": frame(process, rows, None, full=full), "alike": frame(process, rows, None, full=full)}
    stand = {name: standing(name, data) for name, data in packets.items()}
    results = tuple(FrameResult(name, Basis.FACES, 0, None, 0.0, 0.0, 0.0, ()) for name in packets)
    solution = found_in(Solution(results, (), ()), Request((), (Reference(None, "reference"),)), stand)
    told = {name: dict(findings)[Code.LOOK_DIFFERS] for name, findings in named(solution).items()}
    assert told == {row.local: (f"crs:{row.local}",) for row in rows} and len(told) > 70
    assert {p for group in look_groups(solution.frames) for p in group.properties} == {f"crs:{name}" for name in told}
    for name, data in packets.items():
        taken_back(data, name)


def taken_back(data: bytes, name: str) -> None:
    written = apply_change(data, CHANGE)
    assert written != data and restore_fields(written, data, written) == data, name


@pytest.mark.parametrize("name", LOCAL_CORRECTIONS)
def test_where_each_frame_has_a_local_correction_of_its_own_every_frame_is_named(name: str) -> None:
    def held(number: int) -> bytes:
        fields = f'crs:What="Correction" crs:CorrectionAmount="1" crs:LocalExposure2012="0.{number}"'
        child = f"<crs:{name}><rdf:Seq><rdf:li><rdf:Description {fields}/></rdf:li></rdf:Seq></crs:{name}>"
        return attributes('crs:ProcessVersion="11.0"', child)

    packets = {f"f{number}": held(number) for number in range(1, 6)}
    solution = looked({k: (v, ()) for k, v in packets.items()}, Reference(None, "f3"))
    expected = [(Code.LOCAL_CORRECTIONS, (f"crs:{name}",))]
    assert named(solution) == {k: expected for k in packets if k != "f3"}
    for name_, data in packets.items():
        taken_back(data, name_)


def test_on_a_shoot_of_one_corpus_packet_nothing_is_said_and_all_is_taken_back() -> None:
    tried = 0
    for path in CORPUS:
        data = path.read_bytes()
        try:
            settings = read_settings(Packet.parse(data))
            written = apply_change(data, CHANGE)
        except Exception:  # malformed or ambiguous: refused before any look is read, as other tests show
            continue
        assert restore_fields(written, data, written) == data
        if settings.camera_model:
            continue
        solution = looked({f"f{k}": (data, ()) for k in range(4)}, Reference(None, "f0"))
        assert not [f for result in solution.frames for f in result.findings if f.code in LOOK_CODES], path.name
        tried += 1
    assert tried > 20
