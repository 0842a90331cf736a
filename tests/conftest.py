"""Settings for all tests."""

from hypothesis import HealthCheck, settings

# Machines differ in speed, and stall: only what a test says counts, not how long it took.
settings.register_profile("any-speed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any-speed")
