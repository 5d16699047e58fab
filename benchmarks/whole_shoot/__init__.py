"""End to end: a shoot of relit portraits goes through the command line, an independent reader scores the sidecars."""
