"""Packets made to cost much: each is read in a process of its own; printed are CPU time, peak memory and the answer."""

from __future__ import annotations

import multiprocessing
import resource
import sys
import tempfile
import time
from pathlib import Path

from xmpsync.errors import SidecarMalformed
from xmpsync.xmp.packet import Packet

HEAD = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    b'<rdf:Description rdf:about="" xmlns:c="c:"'
)
TAIL = b"</rdf:Description></rdf:RDF></x:xmpmeta>"
MANY = 49_000
"""Just below the bound of tags, two for an element."""
FULL = 8 * 2**20 - 1000
"""Just below the bound of bytes."""


def cases() -> dict[str, bytes]:
    """Name and bytes; all but two end in junk, so that everything is read before the refusal."""
    bomb = "".join(f'<!ENTITY e{n + 1} "{f"&e{n};" * 10}">' for n in range(20))
    return {
        "entity bomb": f'<!DOCTYPE a [<!ENTITY e0 "a">{bomb}]><a>&e20;</a>'.encode(),
        "external entity": b'<!DOCTYPE a [<!ENTITY e SYSTEM "file:///etc/hostname">]><a>&e;</a>',
        "many elements": HEAD + b">" + b"".join(b"<c:p%d>1</c:p%d>" % (n, n) for n in range(MANY)) + TAIL + b"junk",
        "many attributes": HEAD + b"".join(b' c:p%d=""' % n for n in range(MANY)) + b"/></rdf:RDF></x:xmpmeta>",
        "deep": HEAD + b">" + b"<c:a>" * 2 * MANY,
        "line ends": HEAD + b">" + b"\n" * FULL + TAIL + b"junk",
        "references": HEAD + b"><c:p>" + b"&lt;" * (FULL // 4) + b"</c:p>" + TAIL + b"junk",
        "brackets": HEAD + b"><c:p><![CDATA[" + b"]" * FULL + b"]]></c:p>" + TAIL + b"junk",
        "comments": HEAD + b">" + b"<!---->" * 2 * MANY + TAIL + b"junk",
        "namespaces": HEAD
        + b">"
        + b"<c:a>" * 100
        + b"".join(b'<c:p xmlns:c="d:%d"/>' % n for n in range(MANY))
        + b"</c:a>" * 100
        + TAIL
        + b"junk",
        "wide characters": HEAD + b"><c:p>" + "🦊".encode() * (FULL // 4) + b"</c:p>" + TAIL + b"junk",
        "no packet at all": bytes(FULL),
        "too large": b"<" * 64 * 2**20,
    }


def _read(path: str) -> None:
    data = Path(path).read_bytes()
    start = time.process_time()
    try:
        Packet.parse(data)
        answer = "read"
    except SidecarMalformed as error:
        answer = error.what
    spent = time.process_time() - start
    peak_mb = _peak_mb()
    print(f"{len(data) / 1e6:6.1f} MB | {spent:5.2f} s | {peak_mb:4.0f} MB peak | {answer}", flush=True)


def _peak_mb() -> float:
    """Peak memory of this process. On Linux not by getrusage, which counts the parent before exec as well."""
    status = Path("/proc/self/status")
    if status.exists():
        line = next(line for line in status.read_text(encoding="ascii").splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) / 2**10
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (2**20 if sys.platform == "darwin" else 2**10)


def hostile() -> int:
    """Prints one line for each case. Not for Windows, which has no `resource` module."""
    spawn = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory() as folder:
        for name, data in cases().items():
            path = Path(folder) / "packet"
            path.write_bytes(data)
            print(f"{name:>17} | ", end="", flush=True)
            child = spawn.Process(target=_read, args=(str(path),))
            child.start()
            child.join()
    return 0
