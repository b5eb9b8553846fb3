"""Fail on product code that nothing but a test uses, and on a line of UNUSED that is not needed any more.

Run it from a checkout, with the test extra: `.venv/bin/python .ci/dead_code.py`. vulture looks for the names;
what it looks at, and the decorators that put a function to use, stand in pyproject.toml.
"""

import re
import subprocess
import sys

from drivers.catalogue import _BUILT_IN

UNUSED = {
    # Pydantic: settings of a model, and `schema`, which is checked and then done with.
    "model_config",
    "schema_",
    # Sections of a limits file, taken from the model by the key of their figure.
    "air_output_mv",
    "oxygen_output_mv",
    "air_slope_agreement_percent",
    "hysteresis_percent",
    # Called by asyncio, pymodbus, rich, typer and the wire libraries, or read by them.
    "connection_made",
    "connection_lost",
    "data_received",
    "addr",
    "timeout",
    "caption",
    "caption_justify",
    "help",
    # The truth of the virtual bench, which tests hold the rig to.
    "output_at_1_bar_mv",
    "gas_temperature_c",
    # Depth and altitude, for a check in the water.
    "FOOT_OF_SEAWATER_BAR",
    "geopotential_altitude_m",
    "standard_pressure_bar",
    "pressure_at_depth_bar",
    "depth_of_pressure_msw",
    # Age of the second gauge's reading, kept beside the first one's.
    "pressure_b_age_s",
}

found = subprocess.run([sys.executable, "-m", "vulture"], capture_output=True, text=True)
lines = found.stdout.splitlines()
names = {line: re.search(r"'(.+?)'", line)[1] for line in lines if "'" in line}
if found.returncode not in (0, 3) or len(names) != len(lines):
    sys.exit(found.stdout + found.stderr)
# A driver is named by the text of its entry in the catalogue.
drivers = {entry.target.partition(":")[2] for entry in _BUILT_IN.values()}
dead = [line for line, name in names.items() if name not in UNUSED | drivers]
needless = sorted(UNUSED - set(names.values()))
for problem in (*dead, *(f".ci/dead_code.py: {name!r} is in use, or gone: take it off" for name in needless)):
    print(problem)
sys.exit(1 if dead or needless else 0)
