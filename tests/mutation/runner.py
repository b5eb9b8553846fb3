"""Asks the tests of a module about each of its mutants, and counts those that none of them notices.

The tests are collected once. For each mutant the process forks; the child puts the mutated code into the
module and runs those tests that execute the mutated statement, the quickest first, until one fails.
"""

from __future__ import annotations

import ast
import importlib
import json
import math
import os
import resource
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from types import CodeType, FunctionType, ModuleType
from typing import Any

# One process a job: threads of the linear algebra would only get into each other's way, and into fork's.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import pytest
from mutants import REACH, Mutant, mutants, with_probes

ROOT = Path(__file__).resolve().parents[2]
SLOWEST_TEST_S = 0.5
"""A test that takes longer is not asked: one survivor would cost as much as a hundred other mutants."""

_QUIET = ("-s", "-q", "--no-header", "--tb=no", "-p", "no:cacheprovider", "-p", "no:xdist")
_PACKAGES = frozenset({"drivers", "grading", "rig", "rig_configs"})
_NOTICED, _SURVIVED = 1, 0
_LEAST_CPU_S, _TIMES_USUAL = 20.0, 4.0


@dataclass(frozen=True, slots=True)
class Target:
    """A module to be mutated.

    Attributes:
        file: path from the root of the project.
        tests: folders or files of the tests that should notice, from the root.
        skipped: names whose assignment at module level is left alone.
    """

    file: str
    tests: tuple[str, ...]
    skipped: frozenset[str] = frozenset()

    @property
    def module(self) -> str:
        """The module's name."""
        return self.file.removesuffix(".py").replace("/", ".")


@dataclass(slots=True)
class Result:
    """What came of one module: mutants made, survivors, and those of them that a list explains."""

    target: Target
    made: int = 0
    survivors: list[Mutant] = field(default_factory=list)
    explained: list[Mutant] = field(default_factory=list)


def read_equivalent(path: Path) -> dict[tuple[str, str], str]:
    """Read the list of mutants that change nothing: module and key, with the reason.

    A module stands on a line of its own in brackets; below it `function | expression | change`, and the
    reason on the next line, indented.
    """
    found: dict[tuple[str, str], str] = {}
    module = key = ""
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("["):
            module = line.strip("[] ")
        elif line.startswith(" ") and key:
            found[module, key] = f"{found.get((module, key), '')} {line.strip()}".strip()
        elif line and not line.startswith("#"):
            key = line.strip()
    return found


def run(targets: Iterable[Target], *, jobs: int, equivalent: Path | None = None) -> int:
    """Run every mutant of the targets, print the counts and the survivors, and return an exit code.

    Args:
        targets: modules with their tests.
        jobs: processes at the same time.
        equivalent: file with the list of mutants that change nothing; see `read_equivalent`.
    """
    targets = list(targets)
    known = read_equivalent(equivalent) if equivalent else {}
    session = _Session(targets, jobs, known)
    paths = sorted({str(ROOT / path) for target in targets for path in target.tests})
    with tempfile.TemporaryDirectory() as folder:
        code = pytest.main(
            [*_QUIET, "--basetemp", f"{folder}/tests", *paths],
            plugins=[session],
        )
    if session.failing:
        print("these tests fail as they are; mend them first:", *session.failing, sep="\n  ")
        return 1
    if not session.results:
        return int(code) or 1
    return session.report()


class _Session:
    """The pytest plugin that runs mutants in the place of tests."""

    def __init__(self, targets: list[Target], jobs: int, known: dict[tuple[str, str], str]) -> None:
        self.targets = targets
        self.jobs = jobs
        self.known = known
        self.results: list[Result] = []
        self.failing: list[str] = []
        self._failed = False
        self._recent: dict[tuple[str, str], Counter[int]] = defaultdict(Counter)
        self._out = sys.stderr

    def pytest_sessionstart(self) -> None:
        # Only here, since pytest wants to be the first to import its plugins.
        from hypothesis import HealthCheck, Phase, settings

        # The same examples every time, no memory of earlier ones, and no search for a smaller one.
        settings.register_profile(
            "mutants",
            derandomize=True,
            database=None,
            deadline=None,
            phases=(Phase.explicit, Phase.generate),
            suppress_health_check=list(HealthCheck),
        )
        settings.load_profile("mutants")

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._failed = self._failed or report.failed

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        if session.testsfailed:
            return True
        # The folder for temporary files has to be there before the first fork.
        session.config._tmp_path_factory.getbasetemp()  # type: ignore[attr-defined]
        items = session.items
        baseline = _in_child(lambda: _baseline(self, items, self.targets))
        self.failing = baseline["failing"]
        if self.failing:
            return True
        cost_s: list[float] = baseline["cost_s"]
        for target in self.targets:
            lines: list[list[int]] = baseline["lines"][target.file]
            reach = [frozenset(one) for one in lines]
            allowed = [
                index
                for index, item in enumerate(items)
                if reach[index]
                and cost_s[index] <= SLOWEST_TEST_S
                and any(item.path.is_relative_to(ROOT / path) for path in target.tests)
            ]
            # The tests of the first file are meant for the module, and the quickest of a file come first.
            allowed.sort(key=lambda index: (_file_place(items[index], target), cost_s[index]))
            self.results.append(self._run_target(target, items, allowed, reach, cost_s))
        return True

    def _run_target(
        self,
        target: Target,
        items: list[pytest.Item],
        allowed: list[int],
        reach: list[frozenset[int]],
        cost_s: list[float],
    ) -> Result:
        source = (ROOT / target.file).read_text(encoding="utf-8")
        tree = ast.parse(source)
        every = mutants(tree, target.skipped)
        result = Result(target, len(every))
        running: dict[int, tuple[Mutant, int]] = {}

        def wait() -> None:
            pid, status = os.waitpid(-1, 0)
            mutant, pipe = running.pop(pid)
            told = os.read(pipe, 64)
            os.close(pipe)
            if told:
                self._recent[target.file, mutant.key.function][int(told)] += 1
            if os.WIFEXITED(status) and os.WEXITSTATUS(status) == _SURVIVED:
                known = (target.file, str(mutant.key)) in self.known
                (result.explained if known else result.survivors).append(mutant)
                if not known:
                    print(f"{target.file}:{mutant.line}: {mutant.key}", file=self._out, flush=True)

        for mutant in every:
            asked = [
                index for index in allowed if not mutant.in_function or mutant.statement_line in reach[index]
            ]
            often = self._recent[target.file, mutant.key.function]
            asked.sort(key=lambda index, often=often: -often[index])  # type: ignore[misc]
            if len(running) >= self.jobs:
                wait()
            reading, writing = os.pipe()
            pid = os.fork()
            if pid == 0:
                os.close(reading)
                _be_mutant(self, target, tree, mutant, [(index, items[index]) for index in asked],
                           sum(cost_s[index] for index in asked), writing)  # fmt: skip
            os.close(writing)
            running[pid] = (mutant, reading)
        while running:
            wait()
        return result

    def runs(self, item: pytest.Item, following: pytest.Item | None) -> bool:
        """Run one test; whether it passed."""
        self._failed = False
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
        return not self._failed

    def report(self) -> int:
        """Print what came out and return 0 when every survivor is explained."""
        wrong = False
        for result in self.results:
            lived = len(result.survivors) + len(result.explained)
            print(f"{result.target.file}: {result.made} mutants, {lived} survived, "
                  f"{len(result.explained)} of them listed as equivalent")  # fmt: skip
            for mutant in result.survivors:
                wrong = True
                print(f"  {result.target.file}:{mutant.line}: {mutant.key}")
        made = sum(result.made for result in self.results)
        lived = sum(len(result.survivors) + len(result.explained) for result in self.results)
        if made:
            print(f"{made} mutants, {lived} survived ({100.0 * lived / made:.1f} %)")
        files = {result.target.file for result in self.results}
        found = {(r.target.file, str(m.key)) for r in self.results for m in r.explained}
        for file, key in sorted(self.known):
            if file in files and (file, key) not in found:
                wrong = True
                print(f"listed as equivalent, and it is not there or does not survive: {file}: {key}")
        return 1 if wrong else 0


def _file_place(item: pytest.Item, target: Target) -> int:
    return next(place for place, path in enumerate(target.tests) if item.path.is_relative_to(ROOT / path))


def _in_child(work: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    """What `work` returns when it is done in a process of its own."""
    with tempfile.TemporaryFile() as file:
        pid = os.fork()
        if pid == 0:
            try:
                _hush()
                file.write(json.dumps(work()).encode())
                file.flush()
            finally:
                os._exit(0)
        os.waitpid(pid, 0)
        file.seek(0)
        found: dict[str, Any] = json.loads(file.read())
        return found


def _hush() -> None:
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)


def _baseline(session: _Session, items: list[pytest.Item], targets: list[Target]) -> dict[str, Any]:
    """Run every test as it is: what fails, what each takes in s of CPU, and which statements each reaches."""
    cost_s: list[float] = []
    lines: dict[str, list[list[int]]] = {target.file: [] for target in targets}
    failing: list[str] = []
    reached: dict[str, set[int]] = {target.file: set() for target in targets}
    for target in targets:
        tree = ast.parse((ROOT / target.file).read_text(encoding="utf-8"))
        module = importlib.import_module(target.module)
        vars(module)[REACH] = reached[target.file].add
        put_into(module, with_probes(tree), in_function=True)
    for index, item in enumerate(items):
        for found in reached.values():
            found.clear()
        # What an earlier test left to be remembered would not be reached again.
        forget()
        begun_s = time.process_time()
        if not session.runs(item, items[index + 1] if index + 1 < len(items) else None):
            failing.append(item.nodeid)
        cost_s.append(time.process_time() - begun_s)
        for file, found in reached.items():
            lines[file].append(sorted(found))
    return {"failing": failing, "cost_s": cost_s, "lines": lines}


def _be_mutant(
    session: _Session,
    target: Target,
    tree: ast.Module,
    mutant: Mutant,
    asked: list[tuple[int, pytest.Item]],
    usual_s: float,
    tell: int,
) -> None:
    """Become the mutant, run the tests and end with whether one of them noticed."""
    code = _NOTICED
    try:
        limit_s = math.ceil(_LEAST_CPU_S + _TIMES_USUAL * usual_s)
        resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s + 5))
        _hush()
        put_into(importlib.import_module(target.module), mutant.apply(tree), mutant.in_function)
        forget()
        for place, (index, item) in enumerate(asked):
            following = asked[place + 1][1] if place + 1 < len(asked) else None
            if not session.runs(item, following):
                os.write(tell, str(index).encode())
                break
        else:
            code = _SURVIVED
    finally:
        os._exit(code)


def put_into(module: ModuleType, tree: ast.Module, in_function: bool) -> None:
    """Put mutated code into a module that others have imported names from.

    The code of its functions is exchanged inside the function objects, so that whoever holds one runs the
    new code. What the module makes when it is imported is put in the place of the old wherever it is held by
    name, but only where the mutant is in that part.
    """
    code: CodeType = compile(tree, str(module.__file__), "exec", dont_inherit=True)
    held_before = dict(vars(module))
    # In the module itself: classes look their annotations up there by name.
    exec(code, vars(module))
    for name, old in held_before.items():
        new = vars(module)[name]
        if name.startswith("__") or new is old:
            continue
        _exchange_code(old, new, module.__name__)
        if in_function or (callable(old) and not isinstance(old, type)):
            vars(module)[name] = old
            continue
        for holder in list(sys.modules.values()):
            held = getattr(holder, "__dict__", {})
            if held.get(name) is old:
                held[name] = new


def forget() -> None:
    """Empty every cache of the project's own modules."""
    for name, module in list(sys.modules.items()):
        if name.partition(".")[0] in _PACKAGES:
            for value in list(vars(module).values()):
                if hasattr(value, "cache_clear"):
                    value.cache_clear()


def _exchange_code(old: Any, new: Any, module: str) -> None:
    if isinstance(old, FunctionType) and isinstance(new, FunctionType):
        if old.__module__ == module:
            old.__code__, old.__defaults__ = new.__code__, new.__defaults__
            old.__kwdefaults__ = new.__kwdefaults__
    elif isinstance(old, property):
        _exchange_code(old.fget, new.fget, module)
    elif isinstance(old, type):
        if old.__module__ == module:
            for name, member in list(vars(old).items()):
                if not name.startswith("__") or name in ("__init__", "__post_init__", "__str__"):
                    _exchange_code(member, vars(new).get(name), module)
    elif hasattr(old, "cache_clear"):
        _exchange_code(old.__wrapped__, new.__wrapped__, module)
        old.cache_clear()
