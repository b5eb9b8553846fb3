"""For all tests: no test may fail because the machine is busy."""

from hypothesis import HealthCheck, settings

# The usual deadline for one example is 0.2 s of real time, which a loaded machine passes at any moment.
settings.register_profile("patient", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("patient")
