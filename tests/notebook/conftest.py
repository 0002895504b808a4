"""Nothing here is judged by the clock: a busy machine must not fail a test."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("no clock", deadline=None)
settings.load_profile("no clock")
