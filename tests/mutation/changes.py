"""Small wrong changes of a module's source, one at a time: what a tired person might have written instead."""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator
from typing import NamedTuple

COMPARISONS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Div,
    ast.Mod: ast.FloorDiv,
    ast.Pow: ast.Mult,
    ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr,
}


class Change(NamedTuple):
    """One wrong change."""

    number: int  # within its module
    first_line: int
    last_line: int
    before: str
    after: str
    code: str  # the whole module, changed


def changes(source: str) -> Iterator[Change]:
    """Every change of a module, in the order of its lines."""
    tree = ast.parse(source)
    text = source.encode()
    starts = [0]
    for line in text.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    asserted = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.keyword) and n.arg == "strict"}  # of zip
    found: list[tuple[int, int, ast.expr, str]] = []
    for node in _expressions(tree):
        start = starts[node.lineno - 1] + node.col_offset
        end = starts[(node.end_lineno or node.lineno) - 1] + (node.end_col_offset or 0)
        found += [(start, end, node, after) for after in _instead_of(node)]
    for number, (start, end, node, after) in enumerate(sorted(found, key=lambda f: f[:2])):
        if id(node) in asserted:
            continue
        before = text[start:end].decode()
        last = node.end_lineno or node.lineno
        written = after[:-1] + "\n" * before.count("\n") + after[-1]  # what follows stays on its line
        code = (text[:start] + written.encode() + text[end:]).decode()
        yield Change(number, node.lineno, last, before, after, code)


def _expressions(tree: ast.AST) -> Iterator[ast.expr]:
    """What is worked out when the code runs: no annotations, docstrings, patterns, and nothing within an f-string."""
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns") or isinstance(tree, ast.JoinedStr | ast.pattern):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.expr):
                yield child
            if isinstance(child, ast.AST):
                yield from _expressions(child)


def _instead_of(node: ast.expr) -> Iterator[str]:
    """The source of what may stand in place of an expression."""
    match node:
        case ast.Compare():
            for i, operator in enumerate(node.ops):
                for other in COMPARISONS[type(operator)]:
                    wrong = copy.deepcopy(node)
                    wrong.ops[i] = other()
                    yield _written(wrong)
        case ast.BinOp() if type(node.op) in OPERATORS:
            wrong_operation = copy.deepcopy(node)
            wrong_operation.op = OPERATORS[type(node.op)]()
            yield _written(wrong_operation)
        case ast.BoolOp():
            wrong_choice = copy.deepcopy(node)
            wrong_choice.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
            yield _written(wrong_choice)
        case ast.UnaryOp(op=ast.Not() | ast.USub()):
            yield _written(node.operand)
        case ast.IfExp():
            yield _written(ast.IfExp(ast.UnaryOp(ast.Not(), node.test), node.body, node.orelse))
        case ast.Constant(value=bool()):
            yield str(not node.value)
        case ast.Constant(value=int() | float()):
            yield _written(ast.Constant(node.value + 1))
            if node.value != 0:
                yield _written(ast.Constant(node.value * 0.9 if isinstance(node.value, float) else node.value - 1))


def _written(node: ast.expr) -> str:
    return f"({ast.unparse(node)})"
