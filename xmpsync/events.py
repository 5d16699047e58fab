"""Progress and notes of a use-case. The command line shows them; tests collect them; the default ignores them."""

from __future__ import annotations

from typing import Protocol


class Listener(Protocol):
    """Receives progress; decides nothing."""

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


class WithoutNotes:
    """Hands on progress and drops the notes, for work that is done a second time."""

    def __init__(self, listener: Listener) -> None:
        self.start, self.step, self.done = listener.start, listener.step, listener.done

    def note(self, sentence: str) -> None:
        return
