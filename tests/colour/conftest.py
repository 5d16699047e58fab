"""Hypothesis without deadlines: how long an example takes says nothing here, and machines are shared."""

from hypothesis import settings

settings.register_profile("colour", deadline=None)
settings.load_profile("colour")
