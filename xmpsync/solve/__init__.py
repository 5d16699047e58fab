"""The solver: pure data in (`problem`), pure data out (`solution`). Heavy modules are imported on the first call."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from xmpsync.solve.problem import Request
    from xmpsync.solve.results import Solved
    from xmpsync.solve.solution import Solution

__all__ = ["answered", "check", "checked", "solve", "solved"]


def solve(request: Request, *, told_lights: Mapping[str, int] | None = None) -> Solution:
    """A correction or a reason for every frame; see `xmpsync.solve.api.solve`."""
    from xmpsync.solve import api

    return api.solve(request, told_lights=told_lights)


def check(request: Request) -> Solution:
    """How the skin matches as the sidecars stand now; see `xmpsync.solve.api.check`."""
    from xmpsync.solve import api

    return api.check(request)


def solved(request: Request) -> Solved:
    """The slow part of `solve`, for a page on which the rest is tried again; see `xmpsync.solve.api.solved`."""
    from xmpsync.solve import api

    return api.solved(request)


def answered(request: Request, solved: Solved) -> Solution:
    """The quick part of `solve`; see `xmpsync.solve.api.answered`."""
    from xmpsync.solve import api

    return api.answered(request, solved)


def checked(request: Request, solved: Solved) -> Solution:
    """`check` of what was solved already; see `xmpsync.solve.api.check`."""
    from xmpsync.solve import results, settings

    return results.checked(request, solved, settings.DEFAULT)
