"""Broken packets through everything that reads and edits them: refused cleanly or edited with all checks."""

from __future__ import annotations

import faulthandler
import random
import time
from collections import Counter
from dataclasses import dataclass, field

from benchmarks.packets.mutate import corpus, mutated
from xmpsync.errors import SidecarMalformed
from xmpsync.xmp.difference import unified_diff
from xmpsync.xmp.edit import Change, apply_change, replace_in_place, restore_fields
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.regions import read_regions
from xmpsync.xmp.settings import read_settings

CHANGE = Change(temperature_k=4321, tint=-7, exposure_ev=0.35, keyword="mixed light")
HANG_S = 60
"""A single packet that takes longer ends the run with a traceback."""


@dataclass
class Outcome:
    """Counts of how packets ended, the slowest one in seconds, and the failures as (seed, what)."""

    ends: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0
    failures: list[tuple[int, str]] = field(default_factory=list)


def one(data: bytes) -> str:
    """How one packet ends: `refused`, `refused when written` or `edited`."""
    try:
        packet = Packet.parse(data)
    except SidecarMalformed:
        return "refused"
    read_settings(packet)
    read_regions(packet)
    assert apply_change(data, Change()) == data
    try:
        written = apply_change(data, CHANGE)
    except SidecarMalformed:
        return "refused when written"
    assert restore_fields(written, data, written) == data
    placed = replace_in_place(data, CHANGE, len(data))
    assert placed is None or len(placed) == len(data)
    if len(data) < 20_000:
        unified_diff(data, written, "frame.xmp")
    return "edited"


def fuzz(count: int, seed: int) -> Outcome:
    """`count` mutated packets; each has its own seed, so that a failure can be looked at alone."""
    packets = corpus()
    outcome = Outcome()
    for number in range(seed, seed + count):
        data = mutated(packets, random.Random(number))
        faulthandler.dump_traceback_later(HANG_S, exit=True)
        start = time.process_time()
        try:
            outcome.ends[one(data)] += 1
        except Exception as error:
            outcome.failures.append((number, f"{type(error).__name__}: {error}"))
        outcome.slowest_s = max(outcome.slowest_s, time.process_time() - start)
    faulthandler.cancel_dump_traceback_later()
    return outcome
