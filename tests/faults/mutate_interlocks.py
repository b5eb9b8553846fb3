"""Breaks the interlocks and permissives one small way at a time and asks whether a test notices.

    python tests/faults/mutate_interlocks.py          # names every survivor; none is right

Mutants: a comparison turned or its border moved, `and` for `or`, a condition negated, a number tripled, a
truth flipped, a status or intent exchanged. Texts are left alone.
"""

from __future__ import annotations

import ast
import contextlib
import copy
import importlib
import io
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

_ROOT = Path(__file__).resolve().parents[2]
_TARGETS = {
    "rig/safety/interlocks.py": "tests/rig/test_interlocks.py",
    "rig/safety/permissives.py": "tests/rig/test_permissives.py",
}
_TURNED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.Gt),
    ast.LtE: (ast.Lt, ast.GtE),
    ast.Gt: (ast.GtE, ast.Lt),
    ast.GtE: (ast.Gt, ast.LtE),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}


def mutants(tree: ast.Module) -> Iterator[tuple[int, str, ast.Module]]:
    """Every mutant of a module: line, what was done, and the mutated tree."""
    for index, node in enumerate(ast.walk(tree)):
        for number, what in enumerate(_ways(node)):
            mutated = copy.deepcopy(tree)
            target = next(one for place, one in enumerate(ast.walk(mutated)) if place == index)
            _apply(target, number)
            yield getattr(node, "lineno", 0), what, ast.fix_missing_locations(mutated)


def _ways(node: ast.AST) -> list[str]:
    if isinstance(node, ast.Compare):
        return [
            f"{type(operator).__name__} -> {other.__name__}"
            for operator in node.ops
            for other in _TURNED.get(type(operator), ())
        ]
    if isinstance(node, ast.BoolOp):
        return ["and <-> or"]
    if isinstance(node, ast.If):
        return ["condition negated"]
    if isinstance(node, ast.Constant) and isinstance(node.value, bool):
        return ["truth flipped"]
    if isinstance(node, ast.Constant) and isinstance(node.value, int | float) and node.value:
        return ["number tripled"]
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        return ["sign dropped"]
    return []


def _apply(node: ast.AST, number: int) -> None:
    if isinstance(node, ast.Compare):
        choices = [
            (place, other)
            for place, operator in enumerate(node.ops)
            for other in _TURNED.get(type(operator), ())
        ]
        place, other = choices[number]
        node.ops[place] = other()
    elif isinstance(node, ast.BoolOp):
        node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
    elif isinstance(node, ast.If):
        node.test = ast.UnaryOp(ast.Not(), node.test)
    elif isinstance(node, ast.Constant):
        node.value = not node.value if isinstance(node.value, bool) else 3 * node.value
    elif isinstance(node, ast.UnaryOp):
        node.op = ast.UAdd()


def _skipped(tree: ast.Module) -> set[int]:
    """Lines whose numbers are for people and documents: rows of the table, formats, texts."""
    lines: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            lines.update(range(node.lineno, (node.end_lineno or node.lineno) + 1))
        if isinstance(node, ast.AnnAssign) and getattr(node.target, "id", "") == "INTERLOCKS":
            lines.update(range(node.lineno, (node.end_lineno or node.lineno) + 1))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "dataclass":
            lines.add(node.lineno)
    return lines


def survivors(target: str, test: str) -> tuple[int, list[str]]:
    """How many mutants a file has, and those that its test lets through."""
    path = _ROOT / target
    name = target.removesuffix(".py").replace("/", ".")
    tree = ast.parse(path.read_text())
    skipped = _skipped(tree)
    module = importlib.import_module(name)
    original = dict(module.__dict__)
    count, alive = 0, []
    for line, what, mutated in mutants(tree):
        if line in skipped:
            continue
        count += 1
        try:
            exec(compile(mutated, str(path), "exec"), module.__dict__)
            killed = _noticed(test)
        except Exception:
            killed = True
        finally:
            module.__dict__.clear()
            module.__dict__.update(original)
        if not killed:
            alive.append(f"{target}:{line}: {what}")
    return count, alive


def _noticed(test: str) -> bool:
    """Run a test file afresh against what the modules hold now."""
    for name in [name for name in sys.modules if name.endswith(Path(test).stem)]:
        del sys.modules[name]
    with contextlib.redirect_stdout(io.StringIO()):
        return pytest.main(["-x", "-q", "--no-header", "-p", "no:cacheprovider", str(_ROOT / test)]) != 0


def main() -> int:
    total, alive = 0, []
    for target, test in _TARGETS.items():
        if _noticed(test):
            print(f"{test} fails as it is; mend it first")
            return 1
        count, lived = survivors(target, test)
        total += count
        alive += lived
    for one in alive:
        print(one)
    print(f"{total} mutants, {len(alive)} survived")
    return 1 if alive else 0


if __name__ == "__main__":
    sys.exit(main())
