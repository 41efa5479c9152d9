"""Settings for every test: no deadline per example, since a busy machine may stall any of them."""

from hypothesis import settings

settings.register_profile("patient", deadline=None)
settings.load_profile("patient")
