"""What a run, a recovery or a rollback reports: frozen values, worded for a person, printed by nobody here."""

from __future__ import annotations

from dataclasses import dataclass

from xmpsync.errors import LeftAlone


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a run is: `stage` is `check`, `back up`, `write` or `put right`."""

    stage: str
    done: int
    total: int
    path: str


@dataclass(frozen=True, slots=True)
class RecoveryReport:
    """What became of interrupted runs: paths relative to SHOOT. `backups` are the folders that keep the originals.

    `set_aside`: runs with an invalid manifest, by their number, with the reason; nothing of them was taken back.
    """

    run_ids: tuple[str, ...]
    taken_back: tuple[str, ...]
    untouched: tuple[str, ...]
    left: tuple[LeftAlone, ...]
    backups: tuple[str, ...]
    set_aside: tuple[LeftAlone, ...] = ()

    @property
    def exit_code(self) -> int:
        """4 if somebody must look at a file, otherwise 0."""
        return 4 if self.left else 0

    @property
    def sentence(self) -> str:
        """One or two sentences for the user."""
        text = ""
        if self.run_ids:
            text = (
                f"An interrupted run ({', '.join(self.run_ids)}) was taken back: {len(self.taken_back)} files have "
                f"their original bytes again, {len(self.untouched)} had not been touched."
            )
        for item in self.set_aside:
            text += (
                f" The run {item.name} did not end and its documents cannot be used ({item.reason}): it is set aside, "
                "and nothing of it was taken back. Its folder in the state folder keeps whatever originals it has."
            )
        if self.left:
            names = "; ".join(f"{item.name} ({item.reason})" for item in self.left)
            text += f" Left as they are, because they hold somebody else's work: {names}."
            text += f" Their originals are kept in {', '.join(self.backups)}."
        return text.strip()


@dataclass(frozen=True, slots=True)
class RunOutcome:
    """What a run did: paths relative to SHOOT. `run_id` is None when there was nothing to write.

    `recovered` is the report on an earlier, interrupted run that was put right first.
    """

    run_id: str | None
    written: tuple[str, ...]
    created: tuple[str, ...]
    removed: tuple[str, ...]
    left_alone: tuple[LeftAlone, ...]
    remarks: tuple[str, ...]
    recovered: RecoveryReport | None = None

    @property
    def exit_code(self) -> int:
        """1 if a file was left alone, otherwise 0."""
        return 1 if self.left_alone else 0
