"""Plan -> disk: lock, journal, backup, replace, recover, roll back. docs/crash-safety.md is the specification."""
