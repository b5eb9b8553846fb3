"""Breaks the arithmetic of grading in one small way at a time and checks whether a test detects it.

    python tests/grading/mutate_grading.py --jobs 2
    python tests/grading/mutate_grading.py --module gas --module papers/rows

Survivors that change nothing are listed in `equivalent_mutants.txt`, each with the reason; any other is a
failure.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "mutation"))

from runner import ROOT, Target, run

_TARGETS = (
    Target("grading/gas.py", ("tests/grading/test_gas.py", "tests/outside/test_gas_published.py")),
    Target("grading/papers/rows.py", ("tests/grading/test_rows.py",)),
    *(
        Target(
            f"grading/judgement/{name}.py",
            tuple(f"tests/grading/test_{test}.py" for test in dict.fromkeys((*tests, "quantities", "grade"))),
        )
        for name, tests in {
            "alike": ("common_cause",),
            "cell_figures": ("cell_figures",),
            "common_cause": ("common_cause",),
            "contacts": ("lost_contacts",),
            "decision": ("decision",),
            "detail": ("detail", "rows"),
            "diagnosis": ("diagnosis",),
            "grade": ("detail", "common_cause"),
            "limits": ("limits", "figure_kinds"),
            "limits_file": ("limits", "figure_kinds"),
            "quantities": ("quantities", "cell_figures"),
            "reasons": ("reasons", "wording"),
            "suspicion": ("common_cause",),
        }.items()
    ),
)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--module", action="append", default=[], help="gas, papers/rows, judgement/detail, ..."
    )
    parser.add_argument("--jobs", type=int, default=2, help="processes at the same time")
    options = parser.parse_args()
    named = {f"grading/{one}.py" for one in options.module}
    files = {target.file for target in _TARGETS}
    for path in (ROOT / "grading/judgement").glob("[!_]*.py"):
        if (file := str(path.relative_to(ROOT))) not in files:
            parser.error(f"{file} has no tests in the table of this file")
    if unknown := sorted(named - files):
        parser.error(f"no module {', '.join(unknown)}; there are {', '.join(sorted(files))}")
    targets = [target for target in _TARGETS if not named or target.file in named]
    return run(targets, jobs=options.jobs, equivalent=Path(__file__).with_name("equivalent_mutants.txt"))


if __name__ == "__main__":
    sys.exit(main())
