"""The crash tests can fail: without any one sync, or with it after the step it must come before, they do."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.write.crashes import World, dng, rolled_back, sidecars, survives, syncs

WORLDS: dict[str, Callable[[], World]] = {
    "sidecar": lambda: sidecars(1),
    "packet appended": lambda: dng("<", "append"),
    "packet in place": lambda: dng(">", "in place"),
    "rollback": lambda: rolled_back(sidecars(1)),
    "rollback of an appended packet": lambda: rolled_back(dng("<", "append")),
    "rollback of a new packet": lambda: rolled_back(dng(">", "anew")),
}


def _bite(world: World) -> int:
    mutants = syncs(world)
    through = [mutant for mutant in mutants if survives(world, mutant)]
    assert not through, "\n".join(map(str, through))
    return len(mutants)


def test_the_suite_fails_without_any_one_sync_of_a_sidecar_run() -> None:
    assert _bite(WORLDS["sidecar"]()) >= 35


@pytest.mark.long
@pytest.mark.parametrize("name", [name for name in WORLDS if name != "sidecar"])
def test_the_suite_fails_without_any_one_sync(name: str) -> None:
    assert _bite(WORLDS[name]()) >= 25
