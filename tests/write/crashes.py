"""Worlds to crash in, and the judge: what must hold after a crash, before and after recovery.

Used by the crash tests, by the teeth test and by `python benchmarks/crash/count.py`.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.write.simfs import DELAY, SKIP, Hook, PowerLoss, SimFS, must_wait
from tests.write.tinydng import tiny_dng
from xmpsync.errors import XmpsyncError
from xmpsync.write import embed, journal
from xmpsync.write.dng_structure import EmbedRefused
from xmpsync.write.journal import Run
from xmpsync.write.manifest import Fate, RunEnding
from xmpsync.write.perform import perform
from xmpsync.write.plan import ChangeKind, FileChange, Plan, sha256
from xmpsync.write.recover import recover, unfinished
from xmpsync.write.rollback import perform_rollback, plan_rollback
from xmpsync.write.runs import verify_runs
from xmpsync.xmp.edit import Change, new_sidecar

SHOOT, STATE = Path("/card/shoot"), Path("/disk/keep/shoot")
FOREIGN = b"somebody else's work, neither the old nor the new bytes"

Act = Callable[[SimFS], object]


class Lost(AssertionError):
    """Something is lost or mixed."""


@dataclass
class World:
    """A disk before, what is done to it, and what each file (path relative to SHOOT) holds before and after."""

    name: str
    start: SimFS
    act: Act
    before: dict[str, bytes | None]
    after: dict[str, bytes | None]
    embedded: frozenset[str] = frozenset()
    n_runs: int = 1
    appended: frozenset[str] = frozenset()

    def fresh(self) -> SimFS:
        return self.start.after_kill()

    def holds(self, fs: SimFS, path: str) -> bytes | None:
        target = SHOOT / path
        return None if fs.stat(target) is None else fs.read(target)


@dataclass
class Tally:
    """How much was tried."""

    crash_states: int = 0
    recoveries: int = 0
    by_world: dict[str, int] = field(default_factory=dict)


def packet(temperature_k: int, rating: int = 0) -> bytes:
    made = new_sidecar(Change(temperature_k=temperature_k, tint=4, exposure_ev=0.25))
    return made.replace(b"<x:xmpmeta", b"<!-- %d -->\n<x:xmpmeta" % rating, 1) if rating else made


def sidecars(n: int = 2) -> World:
    """n sidecars in two folders that change, and one that is made."""
    fs = SimFS()
    fs.make_folder("/disk")
    before: dict[str, bytes | None] = {}
    for k in range(n):
        path = f"day{k % 2}/f{k}.xmp"
        before[path] = packet(4000 + k)
        fs.place(f"{SHOOT}/{path}", packet(4000 + k))
    before["day0/made.xmp"] = None
    after = {path: packet(6000 + k) for k, path in enumerate(before)}
    changes = tuple(_sidecar(path, before[path], after[path]) for path in before)
    plan = Plan(changes, {"k": 1}, "test")
    return World(f"{n} sidecars and a new one", fs, lambda f: perform(plan, SHOOT, STATE, fs=f), before, dict(after))


def _sidecar(path: str, before: bytes | None, after: bytes | None) -> FileChange:
    return FileChange(path, ChangeKind.SIDECAR, None if before is None else sha256(before), after, {"note": path})


def dng(order: str = "<", how: str = "append") -> World:
    """One RAW whose packet is written in place, appended, or made anew, beside one sidecar."""
    old = {"in place": packet(4000), "append": packet(4000), "anew": None}[how]
    new = packet(6000) if how != "append" else packet(6000) + b" " * 41
    fs = SimFS()
    fs.make_folder("/disk")
    raw = tiny_dng(order, old, odd=1)
    fs.place(f"{SHOOT}/r.dng", raw)
    fs.place(f"{SHOOT}/s.xmp", packet(4000))
    done = fs.after_kill()
    plan = Plan(
        (
            FileChange("r.dng", ChangeKind.EMBEDDED, sha256(raw), new, {"note": 1}),
            _sidecar("s.xmp", packet(4000), packet(6000)),
        )
    )
    perform(plan, SHOOT, STATE, fs=done)
    after = {"r.dng": done.read(SHOOT / "r.dng"), "s.xmp": packet(6000)}
    assert after["r.dng"] != raw
    return World(
        f"packet {how}, byte order {order}",
        fs,
        lambda f: perform(plan, SHOOT, STATE, fs=f),
        {"r.dng": raw, "s.xmp": packet(4000)},
        dict(after),
        embedded=frozenset({"r.dng"}),
        appended=frozenset({"r.dng"} if how != "in place" else ()),
    )


def rolled_back(first: World, edit: str | None = None) -> World:
    """The rollback of `first`; `edit` names a sidecar that somebody else saved in between, our fields untouched."""
    fs = first.fresh()
    first.act(fs)
    fs = _settled(fs)
    before, after = dict(first.after), dict(first.before)
    if edit is not None:
        theirs = (first.after[edit] or b"").replace(b"<x:xmpmeta", b"<!-- theirs -->\n<x:xmpmeta", 1)
        fs.place(f"{SHOOT}/{edit}", theirs)
        before[edit] = theirs
        done = fs.after_kill()
        perform_rollback(plan_rollback(SHOOT, STATE, fs=done), SHOOT, STATE, fs=done)
        after[edit] = done.read(SHOOT / edit)
        assert b"<!-- theirs -->" in after[edit]

    def act(f: SimFS) -> object:
        return perform_rollback(plan_rollback(SHOOT, STATE, fs=f), SHOOT, STATE, fs=f)

    return World(f"rollback of {first.name}", fs, act, before, after, first.embedded, first.n_runs + 1, first.appended)


def _settled(fs: SimFS) -> SimFS:
    """Everything that is seen made durable: time has passed."""
    fresh = SimFS()
    for path, data in fs.files().items():
        fresh.place(f"/{path}", data)
    return fresh


@dataclass(frozen=True)
class Mutant:
    """A change to the writer's order, made from outside: the `nth` sync of one file or folder is skipped or delayed.

    `phase` is `act` or `recovery`: recoveries have their own order. `role` is the path with run numbers taken out.
    """

    phase: str
    kind: str
    role: str
    nth: int
    verdict: str

    def hook(self, phase: str) -> Hook | None:
        if phase != self.phase:
            return None
        seen = [0]

        def ask(kind: str, path: Path) -> str | None:
            if kind != self.kind or role(path) != self.role:
                return None
            seen[0] += 1
            return self.verdict if seen[0] == self.nth + 1 else None

        return ask


def role(path: Path) -> str:
    return re.sub(r"\d{4}-\d{8}T\d{6}Z", "RUN", str(path))


def stopped(fs: SimFS, act: Act, n: int, hook: Hook | None = None) -> bool:
    """Do `act` until the power goes after n steps; True if it came to its end before."""
    left = [n]

    def count(kind: str, path: Path) -> str | None:
        if left[0] == 0:
            raise PowerLoss
        left[0] -= 1
        return None if hook is None else hook(kind, path)

    fs.hook = count
    try:
        act(fs)
    except PowerLoss:
        return False
    finally:
        fs.hook = None
    fs.catch_up()
    return True


def through(fs: SimFS, act: Act, hook: Hook | None) -> None:
    """Do `act` to its end."""
    assert stopped(fs, act, 10**9, hook)


def crashes(world: World, mutant: Mutant | None = None) -> Iterator[tuple[int, SimFS, bool]]:
    """(steps done, the disk as it was seen, whether the act ended) for every step of the world's act."""
    n, ended = 0, False
    while not ended:
        fs = world.fresh()
        ended = stopped(fs, world.act, n, mutant and mutant.hook("act"))
        yield n, fs, ended
        n += 1
    assert n > 10, "the act has no steps"


def put_right(fs: SimFS) -> object:
    return recover(SHOOT, STATE, fs=fs)


def judge_before_recovery(world: World, fs: SimFS) -> None:
    """What a reader sees right after the crash: every sidecar whole."""
    for path in world.before:
        data = world.holds(fs, path)
        if path not in world.embedded and data not in (world.before[path], world.after[path]):
            raise Lost(f"{path} is neither old nor new before recovery")


def readers_see_whole_packets(world: World, tally: Tally, *, mutant: Mutant | None = None) -> None:
    """A reader between crash and recovery finds the old or the new packet of an appended one, whole, as long as a write
    of 8 bytes is not torn."""
    ends = {path: {_packet_of(world.before[path]), _packet_of(world.after[path])} for path in world.appended}

    def look(seen: SimFS) -> None:
        for fs in seen.after_power_loss(tear_small=False):
            tally.crash_states += 1
            for path in world.appended:
                try:
                    found = embed.read_packet(fs, SHOOT / path)
                except EmbedRefused as error:
                    raise Lost(f"a reader finds no packet: {error}") from error
                if found not in ends[path]:
                    raise Lost(f"a reader finds half a packet in {path}")

    for _, seen, _ in crashes(world, mutant):
        look(seen)
        n, done = 0, False
        while not done:
            fs = seen.after_kill()
            done = stopped(fs, put_right, n, mutant and mutant.hook("recovery"))
            look(fs)
            n += 1


def _packet_of(data: bytes | None) -> bytes | None:
    fs = SimFS()
    fs.place("/x", data or b"")
    return embed.read_packet(fs, Path("/x"))


def judge(world: World, fs: SimFS, *, ended: bool, edited: str | None = None) -> None:
    """What must hold once recovery is through. `ended`: the act had returned; `edited`: a file somebody changed."""
    if unfinished(STATE, fs=fs) is not None:
        raise Lost("a run is still unfinished")
    if damage := verify_runs(STATE, fs=fs):
        raise Lost(f"backups: {damage}")
    runs = [run for run in journal.load_all(fs, STATE) if isinstance(run, Run)]
    complete = len(runs) >= world.n_runs and _complete(runs[-1])
    if ended and not complete:
        raise Lost("the act returned, and its run is not there")
    for path in world.before:
        data, expected = world.holds(fs, path), world.before[path]
        if complete:
            expected = world.after[path] if _was_written(runs[-1], path) else world.before[path]
        if path == edited:
            expected = FOREIGN
        if data != expected:
            state = "old" if data == world.before[path] else "new" if data == world.after[path] else "mixed"
            raise Lost(f"{path} is {state}, the run is {'complete' if complete else 'not'}")
    if left := [name for name in fs.files(str(SHOOT)) if name.endswith(".tmp")]:
        raise Lost(f"temporary files stay: {left}")


def _complete(run: Run) -> bool:
    return run.outcome is not None and run.outcome.ending is RunEnding.COMPLETE


def _was_written(run: Run, path: str) -> bool:
    assert run.outcome is not None
    fates = {e.path: r.fate for e, r in zip(run.manifest.files, run.outcome.results, strict=True)}
    return fates.get(path) is Fate.WRITTEN


def power_losses(
    world: World, tally: Tally, *, mutant: Mutant | None = None, limit: int = 10**9, inner: int = 0
) -> None:
    """Power loss at every step, every outcome of what was pending (thinned to `limit`), recovery, and for `inner` > 0
    a second power loss at every step of that recovery, thinned to `inner` outcomes each, and recovery again."""
    for _, seen, ended in crashes(world, mutant):
        for fs in seen.after_power_loss(limit):
            tally.crash_states += 1
            judge_before_recovery(world, fs)
            if inner:
                _crash_inside_recovery(world, fs, tally, inner, mutant, ended)
            _recovered(world, fs, tally, mutant, ended)


def _recovered(world: World, fs: SimFS, tally: Tally, mutant: Mutant | None, ended: bool) -> None:
    through(fs, put_right, mutant and mutant.hook("recovery"))
    tally.recoveries += 1
    judge(world, fs, ended=ended)


def _crash_inside_recovery(
    world: World, start: SimFS, tally: Tally, inner: int, mutant: Mutant | None, ended: bool
) -> None:
    n, done = 0, False
    while not done:
        fs = start.after_kill()
        done = stopped(fs, put_right, n, mutant and mutant.hook("recovery"))
        n += 1
        for again in fs.after_power_loss(inner):
            tally.crash_states += 1
            judge_before_recovery(world, again)
            _recovered(world, again, tally, mutant, ended)


def kills(world: World, tally: Tally, *, mutant: Mutant | None = None, limit: int = 10**9, inner: int = 0) -> None:
    """The process is killed at every step: the next one sees everything, and nothing more is durable. Then recovery,
    and power loss after it (and, for `inner` > 0, at every step of it)."""
    for _, seen, ended in crashes(world, mutant):
        fs = seen.after_kill()
        if inner:
            _crash_inside_recovery(world, fs, tally, inner, mutant, ended)
        _recovered(world, fs, tally, mutant, ended)
        for lost in fs.after_power_loss(limit):
            tally.crash_states += 1
            _recovered(world, lost, tally, mutant, ended)


def kill_and_go_on(world: World, tally: Tally, *, mutant: Mutant | None = None, limit: int = 10**9) -> None:
    """Killed at every step; the next command recovers and writes again; then power loss."""
    for _, seen, ended in crashes(world, mutant):
        fs = seen.after_kill()
        if ended or _is_complete(world, fs):
            continue
        through(fs, put_right, mutant and mutant.hook("recovery"))
        through(fs, world.act, mutant and mutant.hook("act"))
        for lost in fs.after_power_loss(limit):
            tally.crash_states += 1
            _recovered(world, lost, tally, mutant, ended=True)


def _is_complete(world: World, fs: SimFS) -> bool:
    runs = [run for run in journal.load_all(fs, STATE) if isinstance(run, Run)]
    return len(runs) >= world.n_runs and _complete(runs[-1])


def syncs(world: World) -> list[Mutant]:
    """Every sync of the act, and of a recovery from the last step before the act's end: one mutant that skips it, and
    one that delays it past the next step that counts, if one follows.

    Left out: syncs of folders whose list of names did not change. They repeat, for a state folder that was there, what
    an earlier run that was killed may have failed to do; a fresh state folder shows that they are needed.
    """
    found: list[Mutant] = []
    settled = {Path("/")}
    if world.start.stat(STATE) is not None:
        settled |= {STATE.parent, STATE}

    def recorder(phase: str) -> Hook:
        seen: Counter[tuple[str, str]] = Counter()
        waiting: list[tuple[Mutant, Path]] = []

        def note(kind: str, path: Path) -> None:
            if kind.startswith("sync") and path not in settled:
                key = (kind, role(path))
                found.append(Mutant(phase, *key, seen[key], SKIP))
                waiting.append((Mutant(phase, *key, seen[key], DELAY), path))
                seen[key] += 1
            else:
                found.extend(late for late, synced in waiting if must_wait(kind, path, synced))
                waiting[:] = [(late, synced) for late, synced in waiting if not must_wait(kind, path, synced)]

        return note

    fs = world.fresh()
    through(fs, world.act, recorder("act"))
    last = None
    for _, seen, _ in crashes(world):
        if not _is_complete(world, seen):
            last = seen.after_kill()
    assert last is not None
    through(last, put_right, recorder("recovery"))
    return found


def survives(world: World, mutant: Mutant | None) -> bool:
    """Whether the suite lets a mutant through (it must not). Quick suites first."""
    suites: list[Callable[[], None]] = [
        lambda: power_losses(world, Tally(), mutant=mutant),
        lambda: kill_and_go_on(world, Tally(), mutant=mutant),
        lambda: readers_see_whole_packets(world, Tally(), mutant=mutant),
        lambda: kills(world, Tally(), mutant=mutant, limit=50, inner=8),
        lambda: power_losses(world, Tally(), mutant=mutant, inner=4),
    ]
    for suite in suites:
        try:
            suite()
        except (Lost, XmpsyncError):
            return False
    return True


def edits(world: World, tally: Tally, *, limit: int = 10**9) -> None:
    """Power loss at every step, then somebody saves one file before the recovery: those bytes must stay."""
    for _, seen, ended in crashes(world):
        for fs in seen.after_power_loss(limit):
            for path in world.before:
                other = fs.after_kill()
                other.place(f"{SHOOT}/{path}", FOREIGN)
                began = unfinished(STATE, fs=other) is not None
                report = recover(SHOOT, STATE, fs=other)
                tally.crash_states += 1
                tally.recoveries += 1
                if began and (report is None or [item.name for item in report.left] != [path] or report.exit_code != 4):
                    raise Lost(f"somebody's edit of {path} is not reported: {report}")
                judge(world, other, ended=ended, edited=path)
