"""Broken packets end in a refusal or in a checked edit, never in another error (long run: 100,000 of them)."""

from __future__ import annotations

import pytest

from benchmarks.packets.fuzz import fuzz


def check(count: int, seed: int) -> None:
    outcome = fuzz(count, seed)
    assert outcome.failures == []
    assert sum(outcome.ends.values()) == count
    assert min(outcome.ends[end] for end in ("refused", "edited")) > count / 20


def test_broken_packets_are_refused_or_edited() -> None:
    check(1500, seed=1_000_000)


@pytest.mark.long
def test_many_broken_packets_are_refused_or_edited() -> None:
    check(100_000, seed=0)
