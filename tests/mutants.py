"""Small wrong versions of a module, one change each: what a test suite must notice.

``mutants`` walks the syntax tree and writes the whole module anew for each change: comparisons
turned and shifted to their other boundary, ``and`` for ``or`` and one operand alone, ``not`` taken
away, constants changed, ``all`` for ``any``, statements and results left out, rows of tables left
out. Words for people (see ``WORDS``), annotations and docstrings stay: no test should repeat them.
"""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

# file and name of the call: which positional argument is only told to a person
WORDS = {
    ("rig/guard_table.py", "Rule"): 1,
    ("rig/guard_table.py", "Row"): 3,
    ("rig/guard.py", "_end"): 0,
    ("rig/guard.py", "Demand"): 0,
    ("procedures/decide.py", "Rule"): 3,
}
UNTOUCHED = {"annotation", "returns", "decorator_list", "type_params", "bases"}
GENERIC = {
    "Callable",
    "Mapping",
    "Sequence",
    "tuple",
    "frozenset",
    "set",
    "list",
    "dict",
    "Literal",
}

Node = Any  # ast nodes carry fields that their base class does not know
TURNED: dict[type, tuple[type, ...]] = {
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
SWAPPED: dict[type, type] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.Pow: ast.Mult,
}
RENAMED = {"all": "any", "any": "all", "min": "max", "max": "min"}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: ``inside`` names the function or table, ``change`` reads ``before -> after``."""

    file: str
    line: int
    inside: str
    change: str
    text: str

    @property
    def key(self) -> tuple[str, str, str]:
        """What names the change for good; a line number moves."""
        return self.file, self.inside, self.change

    def __str__(self) -> str:
        return f"{self.file}:{self.line} in {self.inside}: {self.change}"


# ---- one node, changed ---------------------------------------------------------------------------


def _compare(node: Node) -> Iterator[Node]:
    for at, op in enumerate(node.ops):
        for other in TURNED[type(op)]:
            ops = [*node.ops[:at], other(), *node.ops[at + 1 :]]
            yield ast.Compare(node.left, ops, node.comparators)


def _bool(node: Node) -> Iterator[Node]:
    other = ast.Or() if isinstance(node.op, ast.And) else ast.And()
    yield ast.BoolOp(other, node.values)
    for at in range(len(node.values)):
        left = [*node.values[:at], *node.values[at + 1 :]]
        yield left[0] if len(left) == 1 else ast.BoolOp(node.op, left)


def _unary(node: Node) -> Iterator[Node]:
    yield node.operand


def _binary(node: Node) -> Iterator[Node]:
    if type(node.op) in SWAPPED:
        yield ast.BinOp(node.left, SWAPPED[type(node.op)](), node.right)


def _constant(node: Node) -> Iterator[Node]:
    value = node.value
    if isinstance(value, bool):
        yield ast.Constant(not value)
    elif isinstance(value, int):
        yield ast.Constant(value + 1)
    elif isinstance(value, float):
        yield ast.Constant(round(value * 1.1, 12) if value else 0.1)
    elif isinstance(value, str):
        yield ast.Constant(value + "X" if value else "X")
    elif value is None:
        yield ast.Constant(0)


def _name(node: Node) -> Iterator[Node]:
    if node.id in RENAMED:
        yield ast.Name(RENAMED[node.id])


def _choice(node: Node) -> Iterator[Node]:
    yield node.body
    yield node.orelse


def _display(node: Node) -> Iterator[Node]:
    if isinstance(getattr(node, "ctx", None), ast.Store):
        return
    for at in range(len(node.elts)):
        left = [*node.elts[:at], *node.elts[at + 1 :]]
        empty = isinstance(node, ast.Set) and not left
        yield ast.Call(ast.Name("set"), [], []) if empty else type(node)(elts=left)


def _row(node: Node, at: int) -> str:
    """What is left out of a table in its ``at``-th change."""
    if isinstance(node, ast.Dict):
        return ast.unparse(node.keys[at] or node.values[at])
    return ast.unparse(node.elts[at])


def _dict(node: Node) -> Iterator[Node]:
    for at in range(len(node.keys)):
        keys = [*node.keys[:at], *node.keys[at + 1 :]]
        yield ast.Dict(keys, [*node.values[:at], *node.values[at + 1 :]])


def _return(node: Node) -> Iterator[Node]:
    nothing = node.value is None or (
        isinstance(node.value, ast.Constant) and node.value.value is None
    )
    if not nothing:
        yield ast.Return(ast.Constant(None))


def _branch(node: Node) -> Iterator[Node]:
    yield ast.If(ast.UnaryOp(ast.Not(), node.test), node.body, node.orelse)
    yield ast.Pass()


def _left_out(node: Node) -> Iterator[Node]:
    yield ast.Pass()


CHANGES: dict[type, Callable[[Node], Iterator[Node]]] = {
    ast.Compare: _compare,
    ast.BoolOp: _bool,
    ast.UnaryOp: _unary,
    ast.BinOp: _binary,
    ast.Constant: _constant,
    ast.Name: _name,
    ast.IfExp: _choice,
    ast.Tuple: _display,
    ast.List: _display,
    ast.Set: _display,
    ast.Dict: _dict,
    ast.Return: _return,
    ast.If: _branch,
}
DISPLAYS = (ast.Tuple, ast.List, ast.Set, ast.Dict)
STATEMENTS = (ast.Expr, ast.Assign, ast.AugAssign, ast.Raise, ast.Continue, ast.For)


def _changes(parent: Node, field: str, node: Node, file: str) -> Iterator[Node]:
    if isinstance(parent, ast.Expr) or (
        isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    ):
        return  # a docstring
    in_function = field in ("body", "orelse") and not isinstance(parent, (ast.Module, ast.ClassDef))
    if in_function and isinstance(node, STATEMENTS):
        yield from _left_out(node)
    if not isinstance(parent, ast.JoinedStr) and not _told(parent, field, node, file):
        yield from CHANGES.get(type(node), lambda _node: iter(()))(node)


def _told(parent: Node, field: str, node: Node, file: str) -> bool:
    """Whether the node is words for a person, or a row that is unpacked into names."""
    if isinstance(parent, ast.Assign) and isinstance(node, ast.Tuple):
        return isinstance(parent.targets[0], ast.Tuple)
    if isinstance(parent, ast.Assign) and isinstance(node, ast.Constant):
        return isinstance(node.value, str) and " " in node.value
    if not isinstance(parent, ast.Call) or field != "args":
        return False
    name = getattr(parent.func, "id", getattr(parent.func, "attr", ""))
    place = WORDS.get((file, name))
    return place is not None and place < len(parent.args) and parent.args[place] is node


# ---- the whole module ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Place:
    parent: Node
    field: str
    at: int | None
    node: Node
    inside: str

    def put(self, node: Node) -> None:
        if self.at is None:
            setattr(self.parent, self.field, node)
        else:
            getattr(self.parent, self.field)[self.at] = node


def _skipped(node: Node, field: str) -> bool:
    if field in UNTOUCHED or isinstance(node, (ast.Import, ast.ImportFrom)):
        return True
    generic = isinstance(node, ast.Subscript) and getattr(node.value, "id", "") in GENERIC
    return generic and field == "slice"


def _inside(node: Node, inside: str) -> str:
    name = getattr(node, "name", "") if isinstance(node, (ast.FunctionDef, ast.ClassDef)) else ""
    if isinstance(node, (ast.Assign, ast.AnnAssign)) and not inside:
        target = node.target if isinstance(node, ast.AnnAssign) else node.targets[0]
        name = ast.unparse(target)
    return f"{inside}.{name}".strip(".") if name else inside


def _places(parent: Node, inside: str = "") -> Iterator[_Place]:
    for field, value in ast.iter_fields(parent):
        if _skipped(parent, field):
            continue
        for at, node in enumerate(value) if isinstance(value, list) else ((None, value),):
            if isinstance(node, ast.AST):
                yield _Place(parent, field, at, node, _inside(node, inside))
                yield from _places(node, _inside(node, inside))


def mutants(file: str, source: str) -> Iterator[Mutant]:
    """Every single change of ``source``, which stands in ``file`` (relative to the project).

    The second of two changes that read alike in one function ends with ``#2``.
    """
    tree = ast.parse(source)
    seen: Counter[tuple[str, str]] = Counter()
    for place in list(_places(tree)):
        line = getattr(place.node, "lineno", 0)
        for at, node in enumerate(_changes(place.parent, place.field, place.node, file)):
            change = _words(place.node, at, node)
            seen[place.inside, change] += 1
            nth = seen[place.inside, change]
            place.put(node)
            text = ast.unparse(ast.fix_missing_locations(tree))
            place.put(place.node)
            numbered = change if nth == 1 else f"{change} #{nth}"
            yield Mutant(file, line, place.inside, numbered, text)


def _words(before: Node, at: int, after: Node) -> str:
    if isinstance(before, DISPLAYS):
        return f"left out: {_short(_row(before, at))}"
    return f"{_short(ast.unparse(before))} -> {_short(ast.unparse(after))}"


def _short(code: str) -> str:
    flat = " ".join(code.split())
    return flat if len(flat) <= 120 else f"{flat[:60]} ... {flat[-50:]}"
