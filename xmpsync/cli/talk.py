"""Where words go: data to stdout, talk and progress to stderr. `NO_COLOR` is honoured (by rich)."""

from __future__ import annotations

import json
import sys
import threading
from collections.abc import Collection, Iterable, Sequence
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from xmpsync.printable import printable, printable_lines

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress

PIPE_WIDTH = 240
"""Columns for a table that goes into a file or a pipe, where there is no window to fit."""

QUIET_S = 2.0
"""Progress is shown for anything that takes longer than this."""


def console(*, data: bool) -> Console:
    """A console on stdout (`data`) or stderr; as wide as the window, or wide enough when there is none."""
    from rich.console import Console

    stream = sys.stdout if data else sys.stderr
    return Console(
        file=stream,
        width=None if stream.isatty() else PIPE_WIDTH,
        highlight=False,
        soft_wrap=not stream.isatty(),
        emoji=False,
        markup=False,
    )


def say(sentence: str = "", style: str | None = None) -> None:
    """One line of talk on stderr."""
    console(data=False).print(printable(sentence), style=style)


def say_command(line: str) -> None:
    """A command line to copy: in one piece, however wide the window."""
    console(data=False).print(printable(line), soft_wrap=True)


def put(text: str) -> None:
    """Data on stdout, line by line; what would act on a terminal is escaped."""
    sys.stdout.write(printable_lines(text) + ("" if text.endswith("\n") else "\n"))


def put_sentence(sentence: str) -> None:
    """One sentence of data on stdout, wrapped to the window."""
    console(data=True).print(printable(sentence))


def put_json(document: dict[str, Any]) -> None:
    """One JSON document on stdout; undecodable names as escapes, numbers never NaN."""
    put(json.dumps(document, indent=2, ensure_ascii=True, allow_nan=False))


def put_table(
    columns: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    right: Collection[str] = (),
    names: Collection[str] = (),
    yielding: Sequence[str] = (),
    data: bool = True,
) -> None:
    """A plain table fitted to the window, on stdout if it is data; see `table.fitted`."""
    from xmpsync.cli.table import fitted

    cells = [[printable(cell) for cell in row] for row in rows]
    width = console(data=data).width
    for line in fitted(columns, cells, width, right=right, names=names, yielding=yielding):
        if data:
            put(line)
        else:
            say(line)


class ProgressLine:
    """A `Listener` for people: a line with time left when it takes longer than two seconds.

    Without a terminal it is one plain line for each stage.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._progress: Progress | None = None
        self._timer: threading.Timer | None = None
        self._task: Any = None
        self._what = ""
        self._total = 0
        self._done = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.done()

    def start(self, what: str, total: int) -> None:
        self.done()
        self._what, self._total, self._done = what, total, 0
        if not sys.stderr.isatty():
            say(f"{what} {total} {'file' if total == 1 else 'files'}." if total else f"{what}.")
            return
        self._timer = threading.Timer(QUIET_S, self._show)
        self._timer.daemon = True
        self._timer.start()

    def step(self) -> None:
        with self._lock:
            self._done += 1
            if self._progress is not None:
                self._progress.update(self._task, completed=self._done)

    def done(self) -> None:
        with self._lock:
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None
            if self._progress is not None:
                self._progress.stop()
                self._progress = None

    def note(self, sentence: str) -> None:
        say(sentence)

    def _show(self) -> None:
        from rich.progress import (
            BarColumn,
            MofNCompleteColumn,
            Progress,
            ProgressColumn,
            TextColumn,
            TimeElapsedColumn,
            TimeRemainingColumn,
        )

        known: list[ProgressColumn] = [MofNCompleteColumn(), TextColumn("time left"), TimeRemainingColumn()]
        open_end: list[ProgressColumn] = [TimeElapsedColumn()]
        with self._lock:
            if self._timer is None:
                return  # the stage ended meanwhile
            self._progress = Progress(
                TextColumn("{task.description}"),
                BarColumn(bar_width=20),
                *(known if self._total else open_end),
                console=console(data=False),
                transient=True,
            )
            self._task = self._progress.add_task(self._what, total=self._total or None, completed=self._done)
            self._progress.start()
