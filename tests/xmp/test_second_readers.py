"""What we write, read by libexempi and by the exiv2 command; quirks of each are named where they matter.

libexempi (as built in Debian) does not read UTF-32.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.xmp import readers
from tests.xmp.test_corpus import CHANGE, EDITABLE, ids, packets
from xmpsync.xmp.edit import Change, apply_change, new_sidecar, replace_in_place

CRS = readers.CRS + " crs:"

# libexempi wants x:xmpmeta or a packet wrapper, else it is silently empty
EMPTY_FOR_EXEMPI = {"hm_bare_rdf.xmp", "hm_default_ns_rdf.xmp", "hm_xpacket_no_xmpmeta.xmp"}


def _local(reading: dict[str, str], local: str) -> str | None:
    """The value of a top-level camera raw property under whatever prefix libexempi registered."""
    for key, value in reading.items():
        uri, path = key.split(" ", 1)
        if uri == readers.CRS and path.partition(":")[2] == local:
            return value
    return None


@pytest.mark.system("libexempi")
@pytest.mark.parametrize("path", [p for p in EDITABLE if not p.name.startswith("hm_utf32")], ids=ids)
def test_exempi_sees_exactly_the_asked_for_values(path: Path) -> None:
    data = path.read_bytes()
    before = readers.exempi(data)
    after = readers.exempi(apply_change(data, CHANGE))
    if not before and path.name in EMPTY_FOR_EXEMPI:
        assert not after
        return
    exposure = "Exposure" if _local(before, "Exposure") is not None else "Exposure2012"
    wanted = {"Temperature": "4321", "Tint": "-7", "WhiteBalance": "Custom", exposure: "+0.35"}
    for local, text in wanted.items():
        assert _local(after, local) == text

    def others(reading: dict[str, str]) -> dict[str, str]:
        ours = {*wanted, "subject[1]", "subject[2]", "subject[3]"}
        return {key: value for key, value in reading.items() if key.split(" ", 1)[1].partition(":")[2] not in ours}

    assert others(after) == others(before)
    words = [[v for k, v in reading.items() if k.startswith(readers.DC + " dc:subject")] for reading in (before, after)]
    assert words[1] == [*words[0], "mixed light & more"]


# libexempi repairs control characters and NUL filling; what is no XMP reads as empty there
ACCEPTED_BY_EXEMPI = {"hm_control_char.xmp": 10, "hm_nul_tail.xmp": 10, "hm_no_rdf.xmp": 0}


@pytest.mark.system("libexempi")
@pytest.mark.parametrize("path", packets("malformed"), ids=ids)
def test_exempi_refuses_the_malformed_packets_too(path: Path) -> None:
    from libxmp import XMPError

    if path.name in ACCEPTED_BY_EXEMPI:
        assert len(readers.exempi(path.read_bytes())) == ACCEPTED_BY_EXEMPI[path.name]
    else:
        with pytest.raises(XMPError):
            readers.exempi(path.read_bytes())


# the exiv2 command reads UTF-8 with x:xmpmeta or a packet wrapper, and wants the prefix rdf
UNREADABLE_FOR_EXIV2 = {
    "hm_bare_rdf.xmp", "hm_default_ns_rdf.xmp", "hm_other_outer_xml.xmp", "hm_utf16be_bom.xmp", "hm_utf32le_bom.xmp",
    "hm_utf16le_nobom.xmp", "hm_utf32le_nobom.xmp",
}  # fmt: skip
# and it matches prefixes, not namespaces
NOT_NAMESPACE_CORRECT = {"hm_prefix_crs_is_other_ns.xmp", "hm_crs_prefix_taken.xmp", "hm_wrong_ns_noslash.xmp"}


@pytest.mark.system("exiv2")
@pytest.mark.parametrize("path", [p for p in EDITABLE if p.name not in UNREADABLE_FOR_EXIV2], ids=ids)
def test_exiv2_sees_exactly_the_asked_for_values(path: Path, tmp_path: Path) -> None:
    data = path.read_bytes()
    before = readers.exiv2(data, tmp_path)
    after = readers.exiv2(apply_change(data, CHANGE), tmp_path)
    if path.name in NOT_NAMESPACE_CORRECT:
        assert {"4321", "-7", "+0.35"} <= set(after.values())
        return
    exposure = "Exposure" if "Xmp.crs.Exposure" in before else "Exposure2012"
    wanted = {"Temperature": "4321", "Tint": "-7", "WhiteBalance": "Custom", exposure: "+0.35"}
    expected = {**before, **{f"Xmp.crs.{local}": text for local, text in wanted.items()}}
    words = before.get("Xmp.dc.subject")
    expected["Xmp.dc.subject"] = ", ".join([*([words] if words else []), "mixed light & more"])
    assert after == expected


@pytest.mark.system("exiv2")
@pytest.mark.system("libexempi")
def test_a_new_sidecar_is_read_by_both(tmp_path: Path) -> None:
    data = new_sidecar(Change(5200, 7, -0.25, keyword="no face"))
    assert readers.exiv2(data, tmp_path) == {
        "Xmp.crs.ProcessVersion": "11.0",
        "Xmp.crs.HasSettings": "True",
        "Xmp.crs.WhiteBalance": "Custom",
        "Xmp.crs.Temperature": "5200",
        "Xmp.crs.Tint": "+7",
        "Xmp.crs.Exposure2012": "-0.25",
        "Xmp.dc.subject": "no face",
    }
    seen = readers.exempi(data)
    assert seen[CRS + "Temperature"] == "5200"
    assert seen[CRS + "HasSettings"] == "True"


@pytest.mark.system("libexempi")
def test_a_packet_replaced_in_place_is_read(tmp_path: Path) -> None:
    data = (packets("valid")[1]).read_bytes()
    placed = replace_in_place(data, CHANGE, len(data))
    assert placed is not None and len(placed) == len(data)
    assert readers.exempi(placed)[CRS + "Temperature"] == "4321"
