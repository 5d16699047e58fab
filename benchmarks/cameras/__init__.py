"""Which cameras LibRaw knows: the source of docs/cameras.md."""
