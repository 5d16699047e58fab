"""How to work, not what to propose: where state lies, how many workers, which cluster."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from xmpsync.errors import WrongUsage


@dataclass(frozen=True, slots=True)
class Cluster:
    """Where the scheduler listens (`tcp://HOST:PORT`), and how folders are called there: (local, remote) beginnings."""

    scheduler: str
    folders: tuple[tuple[str, str], ...] = ()

    def there(self, path: str) -> str:
        """A path as the workers call it: the longest matching beginning is replaced."""
        for local, remote in sorted(self.folders, key=lambda pair: -len(pair[0])):
            start = local.rstrip("/\\")
            if path == start or path.startswith((start + "/", start + "\\")):
                rest = path[len(start) :]
                backslashes = "\\" in remote and "/" not in remote
                return remote.rstrip("/\\") + (rest.replace("/", "\\") if backslashes else rest.replace("\\", "/"))
        return path

    @staticmethod
    def parse(scheduler: str, maps: tuple[str, ...]) -> Cluster:
        """From `--scheduler ADDRESS` and `--map LOCAL=REMOTE`. Raises WrongUsage."""
        folders = []
        for text in maps:
            local, found, remote = text.partition("=")
            if not (local and found and remote):
                raise WrongUsage(f"--map {text!r} is not LOCAL=REMOTE.", next_step="Write --map /photos=/mnt/photos.")
            folders.append((str(Path(local).absolute()), remote))
        return Cluster(scheduler, tuple(folders))


@dataclass(frozen=True, slots=True)
class Machine:
    """How to work, not what to propose: never remembered.

    `n_workers_remark`: why there are fewer than processors, told when workers start; None where there are not, or where
    the user gave a number.
    """

    state: Path | None = None
    use_store: bool = True
    remeasure: bool = False
    n_workers: int = 1
    n_workers_remark: str | None = None
    timeout_s: float = 180.0
    people: bool = True
    cluster: Cluster | None = None
