"""Mutants of a shoot. Tries run in forked children, and a forked child has no other threads: libraries start none."""

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ[_name] = "1"
