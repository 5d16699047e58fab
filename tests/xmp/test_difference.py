"""The difference that a dry run shows."""

from __future__ import annotations

import pytest

from tests.xmp.samples import attributes
from xmpsync.xmp.difference import unified_diff
from xmpsync.xmp.edit import Change, apply_change, new_sidecar

TEXT = """<x:xmpmeta xmlns:x="adobe:ns:meta/">
 <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
  <rdf:Description rdf:about="ä"
    xmlns:crs="http://ns.adobe.com/camera-raw-settings/1.0/"
   crs:Exposure2012="0.00"
   crs:Contrast="0"/>
 </rdf:RDF>
</x:xmpmeta>
"""
EXPECTED = """--- A.xmp
+++ A.xmp
@@ -3,5 +3,5 @@
   <rdf:Description rdf:about="ä"
     xmlns:crs="http://ns.adobe.com/camera-raw-settings/1.0/"
-   crs:Exposure2012="0.00"
+   crs:Exposure2012="+0.35"
    crs:Contrast="0"/>
  </rdf:RDF>
"""


@pytest.mark.parametrize("line", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("codec", ["utf-8", "utf-8-sig", "utf-16", "utf-16-be", "utf-32-le"])
def test_every_encoding_and_line_end_reads_the_same(codec: str, line: str) -> None:
    data = TEXT.replace("\n", line).encode(codec)
    assert unified_diff(data, apply_change(data, Change(exposure_ev=0.35)), "A.xmp") == EXPECTED


def test_padding_is_one_line_and_a_change_of_it_is_seen() -> None:
    data = (TEXT + (" " * 99 + "\n") * 20 + "<?xpacket end='w'?>").encode()
    shorter = data.replace(b" " * 99 + b"\n<", b" " * 94 + b"\n<").replace(b'"0.00"', b'"+0.35"')
    difference = unified_diff(data, shorter, "A.xmp")
    assert "-  (2000 characters of padding)\n+  (1995 characters of padding)\n" in difference
    assert len(difference.splitlines()) < 20


def test_a_minified_packet_is_broken_at_tags_and_attributes() -> None:
    data = attributes('crs:Contrast="1" crs:Exposure2012="0.00" crs:Tint="1"')
    difference = unified_diff(data, apply_change(data, Change(exposure_ev=0.35)), "A.xmp")
    assert '-crs:Exposure2012="0.00"\n+crs:Exposure2012="+0.35"\n crs:Tint="1">\n' in difference


def test_a_new_sidecar_is_all_new() -> None:
    difference = unified_diff(None, new_sidecar(Change(exposure_ev=0.35)), "A.xmp")
    assert difference.startswith("--- /dev/null\n+++ A.xmp\n")
    assert all(line.startswith("+") for line in difference.splitlines()[3:])


def test_no_difference_is_empty() -> None:
    assert unified_diff(TEXT.encode(), TEXT.encode(), "A.xmp") == ""


def test_bytes_that_are_no_text_are_shown_all_the_same() -> None:
    assert "\\xff" in unified_diff(b"a\xff\n", TEXT.encode(), "A.xmp")
