"""Where words go: data to stdout, talk and progress to stderr. `NO_COLOR` is honoured (by rich)."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterable, Sequence
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


def put(text: str) -> None:
    """Data on stdout, line by line; what would act on a terminal is escaped."""
    sys.stdout.write(printable_lines(text) + ("" if text.endswith("\n") else "\n"))


def put_json(document: dict[str, Any]) -> None:
    """One JSON document on stdout; undecodable names as escapes, numbers never NaN."""
    put(json.dumps(document, indent=2, ensure_ascii=True, allow_nan=False))


def put_table(
    columns: Sequence[str], rows: Iterable[Sequence[str]], *, right: frozenset[str] = frozenset(), data: bool = True
) -> None:
    """A plain table, on stdout if it is data; columns named in `right` are right-aligned."""
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    for name in columns:
        table.add_column(name, justify="right" if name in right else "left", no_wrap=True, overflow="ellipsis")
    for row in rows:
        table.add_row(*(Text(printable(cell)) for cell in row))
    console(data=data).print(table)


class ProgressLine:
    """A `Listener` for people: a line with time left when it takes longer than two seconds."""

    def __init__(self) -> None:
        self._progress: Progress | None = None
        self._task: Any = None
        self._what = ""
        self._total = 0
        self._done = 0
        self._started_s = 0.0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.done()

    def start(self, what: str, total: int) -> None:
        self.done()
        self._what, self._total, self._done = what, total, 0
        self._started_s = time.monotonic()

    def step(self) -> None:
        self._done += 1
        if self._progress is None and time.monotonic() - self._started_s > QUIET_S:
            self._show()
        if self._progress is not None:
            self._progress.update(self._task, completed=self._done)

    def done(self) -> None:
        if self._progress is not None:
            self._progress.stop()
            self._progress = None

    def note(self, sentence: str) -> None:
        say(sentence)

    def _show(self) -> None:
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        self._progress = Progress(
            TextColumn("{task.description}"),
            BarColumn(bar_width=30),
            MofNCompleteColumn(),
            TextColumn("time left"),
            TimeRemainingColumn(),
            console=console(data=False),
            transient=True,
        )
        self._task = self._progress.add_task(self._what, total=self._total, completed=self._done)
        self._progress.start()
