"""Nothing here is judged by the clock: a busy machine must not fail a test.

It stands above all tests, as examples get what counts where they are written down, when their module is read.
"""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile("no clock", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("no clock")
