"""Fail on product code that nothing but a test uses, and on a line of UNUSED that is not needed any more.

Run it from a checkout, with the test extra: `.venv/bin/python .ci/dead_code.py`. vulture looks for the names;
what it looks at, and the decorators that put a function to use, stand in pyproject.toml.
"""

import re
import subprocess
import sys
from dataclasses import fields

from pydantic import BaseModel

from drivers.catalogue import _BUILT_IN
from grading.measurement import ErrorModel
from grading.record import events, run_file

UNUSED = {
    # Pydantic: settings of a model.
    "model_config",
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
}

found = subprocess.run([sys.executable, "-m", "vulture"], capture_output=True, text=True)
lines = found.stdout.splitlines()
names = {line: re.search(r"'(.+?)'", line)[1] for line in lines if "'" in line}
if found.returncode not in (0, 3) or len(names) != len(lines):
    sys.exit(found.stdout + found.stderr)
# A driver is named by the text of its entry in the catalogue.
drivers = {entry.target.partition(":")[2] for entry in _BUILT_IN.values()}
# Members of a record's files are checked whole, and the error model is read by the names of its terms.
models = [cls for module in (events, run_file) for cls in vars(module).values() if isinstance(cls, type)]
members = {name for cls in models if issubclass(cls, BaseModel) for name in cls.model_fields}
members |= {term.name for term in fields(ErrorModel)}
dead = [line for line, name in names.items() if name not in UNUSED | drivers | members]
needless = sorted(UNUSED - set(names.values()))
for problem in (*dead, *(f".ci/dead_code.py: {name!r} is in use, or gone: take it off" for name in needless)):
    print(problem)
sys.exit(1 if dead or needless else 0)
