"""Lets the tests of this folder import the mutator beside them, as the scripts do."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
