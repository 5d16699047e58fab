"""Simulated weddings for the solver, scored on held-out clean skin: `python -m benchmarks.solve`."""
