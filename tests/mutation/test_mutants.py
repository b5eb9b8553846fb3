"""The mutator itself: a mutant that is not made, or not put in, would count as one that was noticed."""

import ast
import sys
import types

import pytest
from mutants import REACH, mutants, with_probes
from runner import put_into, read_equivalent

SOURCE = '''"""Text with 2 numbers."""
from dataclasses import dataclass
from functools import lru_cache

LIMIT = 3.0


def beyond(value: float | None, low: int = 0) -> bool:
    """Text."""
    if value is None or value < low:
        return False
    return not abs(value) <= LIMIT


@lru_cache
def twice(value):
    return 2 * value


@dataclass(frozen=True)
class Pair:
    one: float

    def total(self):
        return self.one + 1.0
'''


def changes(source):
    return {(mutant.key.function, mutant.key.change) for mutant in mutants(ast.parse(source))}


@pytest.fixture
def module():
    made = types.ModuleType("made_up")
    made.__file__ = "made_up.py"
    exec(compile(SOURCE, "made_up.py", "exec"), vars(made))
    for name in ("beyond", "Pair"):
        vars(made)[name].__module__ = "made_up"
    sys.modules["made_up"] = made
    yield made
    del sys.modules["made_up"]


def become(module, change):
    """Put the only mutant with that change into the module."""
    tree = ast.parse(SOURCE)
    (mutant,) = [one for one in mutants(tree) if one.key.change == change]
    put_into(module, mutant.apply(tree), mutant.in_function)


def test_every_kind_of_change_is_made():
    assert changes(SOURCE) == {
        ("module", "3.0 -> 9.0"),
        ("beyond", "0 -> 1"),
        ("beyond", "condition negated"),
        ("beyond", "and <-> or"),
        ("beyond", "dropped value is None"),
        ("beyond", "dropped value < low"),
        ("beyond", "is -> is not"),
        ("beyond", "< -> <="),
        ("beyond", "< -> >"),
        ("beyond", "False -> True"),
        ("beyond", "dropped not"),
        ("beyond", "<= -> <"),
        ("beyond", "<= -> >="),
        ("beyond", "dropped abs"),
        ("twice", "* -> /"),
        ("twice", "dropped 2"),
        ("twice", "dropped value"),
        ("twice", "2 -> 6"),
        ("Pair.total", "+ -> -"),
        ("Pair.total", "dropped 1.0"),
        ("Pair.total", "dropped self.one"),
        ("Pair.total", "1.0 -> 3.0"),
    }


@pytest.mark.parametrize(
    ("source", "made"),
    [
        ("x = a - b", {"- -> +", "dropped b", "dropped a"}),
        ("x = a / b", {"/ -> *", "dropped b", "dropped a"}),
        ("x = -1", {"dropped -", "1 -> 3"}),
        ("x = np.nanargmax(v)", {"nanargmax -> nanargmin"}),
        ("x += 1", {"+= -> -=", "dropped", "1 -> 3"}),
        ("x = [a for a in b if a]", {"filter dropped", "filter negated"}),
        ("x = a if b else c", {"condition negated"}),
        ("x = zip(a, b, strict=True)", set()),
        ("x: int | None", set()),
        ("x = int | None", set()),
        ("x = f'{a:.3f}'", set()),
    ],
)
def test_changes_of_one_statement(source, made):
    assert {change for _, change in changes(source)} == made


def test_every_mutant_compiles_and_differs():
    whole = ast.unparse(ast.parse(SOURCE))
    for number in range(len(mutants(ast.parse(SOURCE)))):
        tree = ast.parse(SOURCE)
        mutated = mutants(tree)[number].apply(tree)
        compile(mutated, "made_up.py", "exec")
        assert ast.unparse(mutated) != whole


def test_a_key_does_not_know_its_line():
    moved = mutants(ast.parse("import os\n\n" + SOURCE.replace('"""Text with 2 numbers."""\n', "")))
    assert [one.key for one in moved] == [one.key for one in mutants(ast.parse(SOURCE))]


def test_whoever_imported_a_function_runs_the_mutant(module):
    beyond = module.beyond
    assert beyond(4.0)
    become(module, "dropped not")
    assert not beyond(4.0)


def test_whoever_imported_a_constant_has_the_mutant(module):
    user = sys.modules["made_up_user"] = types.ModuleType("made_up_user")
    user.LIMIT = module.LIMIT
    become(module, "3.0 -> 9.0")
    del sys.modules["made_up_user"]
    assert user.LIMIT == 9.0
    assert not module.beyond(4.0)


def test_a_default_is_part_of_the_function(module):
    beyond = module.beyond
    assert not beyond(0.5, 0)
    become(module, "0 -> 1")
    assert beyond.__defaults__ == (1,)


def test_methods_and_remembered_results_are_mutated_too(module):
    pair, twice = module.Pair(1.0), module.twice
    assert (pair.total(), twice(5)) == (2.0, 10)
    become(module, "+ -> -")
    assert pair.total() == 0.0
    become(module, "2 -> 6")
    assert twice(5) == 30


def test_probes_tell_which_statements_ran(module):
    reached = set()
    vars(module)[REACH] = reached.add
    put_into(module, with_probes(ast.parse(SOURCE)), in_function=True)
    assert not module.beyond(None)
    lines = {SOURCE.splitlines()[line - 1].strip() for line in reached}
    assert lines == {'"""Text."""', "if value is None or value < low:", "return False"}


def test_the_list_of_equivalent_mutants(tmp_path):
    path = tmp_path / "list.txt"
    path.write_text(
        "# about\n[a.py]\nf | x or 0.0 | dropped 0.0\n  never\n  None\n[b.py]\ng | y | z\n  why\n"
    )
    assert read_equivalent(path) == {
        ("a.py", "f | x or 0.0 | dropped 0.0"): "never None",
        ("b.py", "g | y | z"): "why",
    }
