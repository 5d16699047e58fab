"""Time of reading and of editing sidecars with all checks, one thread, CPU time."""

from __future__ import annotations

import time
from collections.abc import Callable

from xmpsync.xmp.edit import Change, apply_change
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.second_reader import read_statements
from xmpsync.xmp.settings import read_settings

COUNT = 2000


def sidecar(number: int, size: int) -> bytes:
    """A sidecar of about `size` bytes with many other settings, as editors write them."""
    head = (
        '<x:xmpmeta xmlns:x="adobe:ns:meta/">\n <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">\n'
        '  <rdf:Description rdf:about=""\n    xmlns:xmp="http://ns.adobe.com/xap/1.0/"\n'
        '    xmlns:dc="http://purl.org/dc/elements/1.1/"\n'
        '    xmlns:crs="http://ns.adobe.com/camera-raw-settings/1.0/"\n   xmp:Rating="3"\n'
        '   crs:ProcessVersion="11.0"\n'
        f'   crs:WhiteBalance="As Shot"\n   crs:Temperature="{3000 + number}"\n   crs:Tint="+{number % 100}"\n'
        '   crs:Exposure2012="0.00"\n'
    )
    tail = (
        ">\n   <dc:subject>\n    <rdf:Bag>\n     <rdf:li>a</rdf:li>\n    </rdf:Bag>\n   </dc:subject>\n"
        "  </rdf:Description>\n </rdf:RDF>\n</x:xmpmeta>\n"
    )
    lines = []
    length = len(head) + len(tail)
    while length < size:
        if len(lines) % 4 == 3 and len(lines) < 200:
            line = f'   crs:Setting{len(lines):03d}="{number % 50}"\n'
        else:
            line = f'   crs:Value{len(lines):04d}="+0.{number % 90 + 10}"\n'
        lines.append(line)
        length += len(line)
    return (head + "".join(lines).rstrip("\n") + tail).encode()


def per_packet_ms(packets: list[bytes], work: Callable[[int, bytes], object]) -> float:
    start = time.process_time()
    for number, packet in enumerate(packets):
        work(number, packet)
    return (time.process_time() - start) / len(packets) * 1e3


def table(count: int = COUNT) -> str:
    """Milliseconds for each packet, and seconds for the whole shoot."""
    rows = [f"{count} sidecars | kB | parse and settings, ms | edit, all checks, ms | second reader, ms | all edits, s"]
    for size in (2_500, 5_000, 10_000, 20_000):
        packets = [sidecar(number, size) for number in range(count)]
        read = per_packet_ms(packets, lambda _n, data: read_settings(Packet.parse(data)))
        edit = per_packet_ms(
            packets,
            lambda n, data: apply_change(data, Change(5000 + n, n % 150 - 75, n % 400 / 100 - 2, keyword="no face")),
        )
        other = per_packet_ms(packets, lambda _n, data: read_statements(data))
        rows.append(
            f"{'':>13} | {len(packets[0]) / 1e3:.1f} | {read:.2f} | {edit:.2f} | {other:.2f} | {edit * count / 1e3:.1f}"
        )
    return "\n".join(rows)
