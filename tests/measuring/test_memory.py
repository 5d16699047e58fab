"""The collector is left as it was found."""

from __future__ import annotations

import gc

import pytest

from xmpsync.measuring.memory import THRESHOLDS, seldom_collected


def test_the_collector_runs_seldom_inside_and_as_before_afterwards() -> None:
    before = gc.get_threshold()
    with pytest.raises(ValueError), seldom_collected():
        assert gc.get_threshold() == THRESHOLDS
        raise ValueError
    assert gc.get_threshold() == before
