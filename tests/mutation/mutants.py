"""Makes the mutants of a module: every operator, comparison, constant and term changed, one at a time.

Texts, annotations, decorators and the `strict` of `zip` are left alone, and so is what `skipped` names.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

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
_OTHER_OPERATOR: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr,
}
_SYMBOL: dict[type[ast.AST], str] = {
    ast.Add: "+",
    ast.Sub: "-",
    ast.Mult: "*",
    ast.Div: "/",
    ast.FloorDiv: "//",
    ast.Mod: "%",
    ast.Pow: "**",
    ast.BitOr: "|",
    ast.BitAnd: "&",
    ast.USub: "-",
    ast.Not: "not",
    ast.Invert: "~",
    ast.Lt: "<",
    ast.LtE: "<=",
    ast.Gt: ">",
    ast.GtE: ">=",
    ast.Eq: "==",
    ast.NotEq: "!=",
    ast.Is: "is",
    ast.IsNot: "is not",
    ast.In: "in",
    ast.NotIn: "not in",
}
_PAIRS = (
    ("min", "max"),
    ("argmin", "argmax"),
    ("nanargmin", "nanargmax"),
    ("nanmin", "nanmax"),
    ("any", "all"),
    ("floor", "ceil"),
    ("minimum", "maximum"),
)
_OTHER_FUNCTION = {one: other for pair in _PAIRS for one, other in (pair, pair[::-1])}
_DROPPED_FUNCTIONS = frozenset({"abs", "sqrt", "round", "nan_to_num"})
_SHOWN_CHARACTERS = 100
REACH = "__reach__"
"""Name of the function that `with_probes` calls with the line of each statement."""


@dataclass(frozen=True, slots=True)
class Key:
    """Names a mutant without its line, so that a list of mutants survives edits elsewhere in the file.

    Attributes:
        function: qualified name of the function or class around it; "module" outside both.
        expression: source of the expression that is changed.
        change: what becomes what.
    """

    function: str
    expression: str
    change: str

    def __str__(self) -> str:
        return f"{self.function} | {self.expression} | {self.change}"


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change, which `apply` makes in the tree that it was found in.

    Attributes:
        line: where, counted from 1.
        statement_line: first line of the statement around it.
        in_function: whether it is inside a function, and not in what runs at import.
    """

    key: Key
    line: int
    statement_line: int
    in_function: bool
    _parent: ast.AST
    _field: str
    _index: int | None
    _new: ast.AST

    def apply(self, tree: ast.Module) -> ast.Module:
        """Change the tree for good."""
        if self._index is None:
            setattr(self._parent, self._field, self._new)
        else:
            getattr(self._parent, self._field)[self._index] = self._new
        return ast.fix_missing_locations(tree)


@dataclass(frozen=True, slots=True)
class _Place:
    parent: ast.AST
    field: str
    index: int | None
    function: str = ""
    in_function: bool = False
    statement: ast.stmt | None = None
    around: ast.expr | None = None


def mutants(tree: ast.Module, skipped: frozenset[str] = frozenset()) -> list[Mutant]:
    """List every mutant of a module.

    Args:
        tree: the parsed module.
        skipped: names whose assignment is left alone at module level.
    """
    return list(_below(tree, _Place(tree, "body", None), skipped))


def _below(node: ast.AST, place: _Place, skipped: frozenset[str]) -> Iterator[Mutant]:
    for field, value in ast.iter_fields(node):
        if field in ("annotation", "returns", "decorator_list", "format_spec", "conversion", "type_comment"):
            continue
        for index, child in enumerate(value) if isinstance(value, list) else [(None, value)]:
            if isinstance(child, ast.AST) and not _is_left_alone(child, node, skipped):
                yield from _of(child, _inside(node, place, field, index, child), skipped)


def _inside(node: ast.AST, place: _Place, field: str, index: int | None, child: ast.AST) -> _Place:
    function, in_function = place.function, place.in_function
    if isinstance(node, ast.FunctionDef | ast.ClassDef):
        function = f"{function}.{node.name}" if function else node.name
        in_function = in_function or (isinstance(node, ast.FunctionDef) and field == "body")
    statement = child if isinstance(child, ast.stmt) else place.statement
    around = node if isinstance(node, ast.expr) and not _is_number(node) else place.around
    if isinstance(child, ast.stmt):
        around = None
    return _Place(node, field, index, function, in_function, statement, around)


def _is_left_alone(child: ast.AST, parent: ast.AST, skipped: frozenset[str]) -> bool:
    if isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant):
        return True
    if isinstance(child, ast.keyword) and child.arg == "strict":
        return True
    if isinstance(parent, ast.Module) and isinstance(child, ast.Assign | ast.AnnAssign):
        target = child.target if isinstance(child, ast.AnnAssign) else child.targets[0]
        return getattr(target, "id", "") in skipped
    return False


def _of(node: ast.AST, place: _Place, skipped: frozenset[str]) -> Iterator[Mutant]:
    # Outside functions a union of types is written like a sum of bits.
    if not place.in_function and isinstance(node, ast.BinOp) and isinstance(node.op, ast.BitOr):
        return
    shown = place.around if _is_number(node) and place.around is not None else node
    for change, new in _ways(node):
        statement = place.statement
        assert statement is not None
        key = Key(place.function or "module", _source(shown), change)
        yield Mutant(
            key, getattr(node, "lineno", statement.lineno), statement.lineno, place.in_function,
            place.parent, place.field, place.index, new,
        )  # fmt: skip
    yield from _below(node, place, skipped)


def _source(node: ast.AST) -> str:
    text = ast.unparse(node)
    if isinstance(node, ast.stmt | ast.match_case):
        text = text.splitlines()[0]
    text = " ".join(text.split())
    return text if len(text) <= _SHOWN_CHARACTERS else text[: _SHOWN_CHARACTERS - 1] + "…"


def _is_number(node: ast.AST) -> bool:
    if isinstance(node, ast.UnaryOp):
        return isinstance(node.op, ast.USub) and _is_number(node.operand)
    return isinstance(node, ast.Constant) and isinstance(node.value, int | float)


def _ways(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """Every change of one node: in words, and the node that takes its place."""
    match node:
        case ast.Compare():
            yield from _turned(node)
        case ast.BoolOp(op=op, values=values):
            other = ast.Or() if isinstance(op, ast.And) else ast.And()
            yield "and <-> or", ast.BoolOp(other, values)
            for index in range(len(values)):
                kept = values[:index] + values[index + 1 :]
                yield (
                    f"dropped {_source(values[index])}",
                    kept[0] if len(kept) == 1 else ast.BoolOp(op, kept),
                )
        case ast.BinOp():
            yield from _arithmetic(node)
        case ast.UnaryOp(op=op, operand=operand) if type(op) in _SYMBOL:
            yield f"dropped {_SYMBOL[type(op)]}", operand
        case ast.AugAssign(target=target, op=op, value=value):
            if type(op) in _OTHER_OPERATOR:
                other_op = _OTHER_OPERATOR[type(op)]
                yield (
                    f"{_SYMBOL[type(op)]}= -> {_SYMBOL[other_op]}=",
                    ast.AugAssign(target, other_op(), value),
                )
            yield "dropped", ast.Pass()
        case ast.If(test=test, body=body, orelse=orelse):
            yield "condition negated", ast.If(ast.UnaryOp(ast.Not(), test), body, orelse)
        case ast.While(test=test, body=body, orelse=orelse):
            yield "condition negated", ast.While(ast.UnaryOp(ast.Not(), test), body, orelse)
        case ast.IfExp(test=test, body=here, orelse=there):
            yield "condition negated", ast.IfExp(test, there, here)
        case ast.comprehension(target=target, iter=source, ifs=ifs, is_async=is_async) if ifs:
            yield "filter dropped", ast.comprehension(target, source, [], is_async)
            negated: list[ast.expr] = [ast.UnaryOp(ast.Not(), one) for one in ifs]
            yield "filter negated", ast.comprehension(target, source, negated, is_async)
        case ast.Constant(value=bool(value)):
            yield f"{value} -> {not value}", ast.Constant(not value)
        case ast.Constant(value=int() | float() as value):
            new = 3 * value if value else type(value)(1)
            yield f"{value!r} -> {new!r}", ast.Constant(new)
        case ast.Call():
            yield from _calls(node)


def _turned(node: ast.Compare) -> Iterator[tuple[str, ast.AST]]:
    for index, operator in enumerate(node.ops):
        for other in _TURNED.get(type(operator), ()):
            ops = [*node.ops[:index], other(), *node.ops[index + 1 :]]
            yield (
                f"{_SYMBOL[type(operator)]} -> {_SYMBOL[other]}",
                ast.Compare(node.left, ops, node.comparators),
            )


def _arithmetic(node: ast.BinOp) -> Iterator[tuple[str, ast.AST]]:
    kind = type(node.op)
    if kind not in _OTHER_OPERATOR:
        return
    other = _OTHER_OPERATOR[kind]
    if not _is_text(node):
        yield f"{_SYMBOL[kind]} -> {_SYMBOL[other]}", ast.BinOp(node.left, other(), node.right)
    yield f"dropped {_source(node.right)}", node.left
    alone: ast.expr = node.right
    if kind is ast.Sub:
        alone = ast.UnaryOp(ast.USub(), node.right)
    elif kind is ast.Div:
        alone = ast.BinOp(ast.Constant(1.0), ast.Div(), node.right)
    yield f"dropped {_source(node.left)}", alone


def _is_text(node: ast.expr) -> bool:
    if isinstance(node, ast.BinOp):
        return _is_text(node.left) or _is_text(node.right)
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str))


def _calls(node: ast.Call) -> Iterator[tuple[str, ast.AST]]:
    function: Any = node.func
    name = function.id if isinstance(function, ast.Name) else getattr(function, "attr", "")
    if name in _OTHER_FUNCTION:
        other = _OTHER_FUNCTION[name]
        called: ast.expr = (
            ast.Name(other, ast.Load())
            if isinstance(function, ast.Name)
            else ast.Attribute(function.value, other, ast.Load())
        )
        yield f"{name} -> {other}", ast.Call(called, node.args, node.keywords)
    if name in _DROPPED_FUNCTIONS and node.args:
        yield f"dropped {name}", node.args[0]


def with_probes(tree: ast.Module) -> ast.Module:
    """Make every statement inside a function first report its line to the function called `REACH`."""
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            _probe(node)
    return ast.fix_missing_locations(tree)


def _probe(node: ast.AST) -> None:
    for field in ("body", "orelse", "finalbody", "handlers", "cases"):
        block = getattr(node, field, None)
        if not isinstance(block, list):
            continue
        for child in block:
            if not isinstance(child, ast.FunctionDef):
                _probe(child)
        if block and isinstance(block[0], ast.stmt):
            probes = [ast.parse(f"{REACH}({child.lineno})").body[0] for child in block]
            setattr(node, field, [line for pair in zip(probes, block, strict=True) for line in pair])
