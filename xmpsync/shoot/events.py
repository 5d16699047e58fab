"""What a use-case tells while it works. The command line shows it; tests collect it; the default ignores it."""

from __future__ import annotations

from typing import Protocol


class Listener(Protocol):
    """Told about progress; never asked for decisions."""

    def start(self, what: str, total: int) -> None: ...

    def step(self) -> None: ...

    def done(self) -> None: ...

    def note(self, sentence: str) -> None: ...


class Silent:
    """Ignores everything."""

    def start(self, what: str, total: int) -> None:
        return

    def step(self) -> None:
        return

    def done(self) -> None:
        return

    def note(self, sentence: str) -> None:
        return
