"""Shared by all rooms' tests: which system programs there are."""

from __future__ import annotations

import ctypes.util
import os
import shutil

import pytest
from hypothesis import settings

# Speed is measured in the benches, never by a test that a busy machine fails.
settings.register_profile("xmpsync", deadline=None)
settings.load_profile("xmpsync")

PROGRAMS = {
    "exiv2": lambda: shutil.which("exiv2") is not None,
    "libexempi": lambda: ctypes.util.find_library("exempi") is not None,
    "chromium": lambda: shutil.which("chromium") is not None,
}


def pytest_runtest_setup(item: pytest.Item) -> None:
    for mark in item.iter_markers("system"):
        (program,) = mark.args
        if not PROGRAMS[program]():
            if os.environ.get("XMPSYNC_REQUIRE_SYSTEM_PROGRAMS"):
                pytest.fail(f"{program} is missing on this machine")
            pytest.skip(f"needs the system program {program}")
