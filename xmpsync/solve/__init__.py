"""The solver: pure data in (`problem`), pure data out (`solution`). Heavy modules are imported on the first call."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from xmpsync.solve.problem import Request
    from xmpsync.solve.solution import Solution

__all__ = ["check", "solve"]


def solve(request: Request, *, told_lights: Mapping[str, int] | None = None) -> Solution:
    """A correction or a reason for every frame; see `xmpsync.solve.api.solve`."""
    from xmpsync.solve import api

    return api.solve(request, told_lights=told_lights)


def check(request: Request) -> Solution:
    """How the skin matches as the sidecars stand now; see `xmpsync.solve.api.check`."""
    from xmpsync.solve import api

    return api.check(request)
