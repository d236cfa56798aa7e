"""Small faults of the kind that a real slip makes, each in one place of a module's syntax tree."""

from __future__ import annotations

import ast
import copy
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

#: Comparisons and what a slip makes of them.
COMPARED = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
}
REVERSED = {ast.Lt: ast.Gt, ast.LtE: ast.GtE, ast.Gt: ast.Lt, ast.GtE: ast.LtE}
COMPUTED = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
}
RENAMED = {
    "min": "max",
    "any": "all",
    "argmin": "argmax",
    "nanmin": "nanmax",
    "fmin": "fmax",
    "nanargmin": "nanargmax",
    "floor": "ceil",
    "minimum": "maximum",
    "first": "last",
}
RENAMED |= {new: old for old, new in RENAMED.items()}

#: Functions that do not mind the order of their arguments.
SYMMETRIC = frozenset("minimum maximum fmin fmax min max hypot broadcast_shapes".split())

#: Keywords of a drawing call that change how it looks, not what it says: no reader is misled.
LOOKS = frozenset(
    "alpha animated arrowprops aspect bbox bbox_to_anchor borderaxespad capsize color colors "
    "columnspacing dpi ec edgecolor edgecolors fc figsize fontsize frameon gridspec_kw ha "
    "handlelength handletextpad height_ratios hspace labelspacing layout left_pad linestyle "
    "linestyles linewidth linewidths lw markeredgewidth markersize mec mew ms ncol ncols pad "
    "rotation s shrink textcoords title_fontsize va width_ratios wspace xytext y zorder".split()
)

#: Calls that change how a picture looks alone.
DRESSED = frozenset("dress grid set_axisbelow tick_params minorticks_off margins despine".split())

#: Changing what an error says, a type or a name that only Python reads misleads nobody either.
_LEFT_ALONE = (ast.Raise, ast.Assert, ast.Import, ast.ImportFrom)


@dataclass(frozen=True)
class Mutant:
    """One fault.

    Parameters
    ----------
    module : str
        Path below src/ebbmap.
    line : int
        Where it is.
    operator, old, new : str
        What was done, and the smallest expression before and after.
    place : str
        Qualified name of the function or class around it.
    repeat : int
        Number among faults that are alike in all this.
    number : int
        Order in the walk through the module: finds the place again.
    """

    module: str
    line: int
    operator: str
    old: str
    new: str
    place: str
    repeat: int
    number: int

    @property
    def key(self) -> str:
        """Return a name that stays while lines move."""
        text = "|".join(
            (self.module, self.place, self.operator, self.old, self.new, str(self.repeat))
        )
        return hashlib.sha256(text.encode()).hexdigest()[:12]


def mutants_of(module: str, source: str) -> list[Mutant]:
    """Return every fault that the operators can plant in a module.

    Examples
    --------
    >>> [(m.old, m.new) for m in mutants_of("a.py", "def f(a): return a < 1")][:2]
    [('a < 1', 'a <= 1'), ('a < 1', 'a > 1')]
    """
    seen: dict[tuple[str, ...], int] = {}
    found = []
    for number, (node, place, operator, new) in enumerate(_changes(ast.parse(source))):
        # one line at most: the whole of a long statement helps nobody
        old, text = (_short(one) for one in (node, new))
        key = (place, operator, old, text)
        seen[key] = seen.get(key, -1) + 1
        found.append(Mutant(module, _line(node), operator, old, text, place, seen[key], number))
    return found


def planted(source: str, number: int) -> str:
    """Return the module with the fault of a number."""
    tree = ast.parse(source)
    for count, (node, _, _, new) in enumerate(_changes(tree)):
        if count == number:
            return ast.unparse(_Replace(node, new).visit(tree))
    raise ValueError(f"no fault has the number {number}.")


class _Replace(ast.NodeTransformer):
    def __init__(self, old: ast.AST, new: ast.AST):
        self.old, self.new = old, new

    def visit(self, node: ast.AST) -> ast.AST:
        return self.new if node is self.old else self.generic_visit(node)


def _line(node: ast.AST) -> int:
    return getattr(node.target if isinstance(node, ast.comprehension) else node, "lineno", 0)


def _short(node: ast.AST) -> str:
    text = " ".join(ast.unparse(node).split())
    return text if len(text) <= 160 else f"{text[:80]} ... {text[-75:]}"


def _changes(tree: ast.Module) -> Iterator[tuple[ast.AST, str, str, ast.AST]]:
    """Walk in order; give a node, the function around it, the operator, and the new node."""
    yield from _walk(tree, ())


def _walk(node: ast.AST, around: tuple[str, ...]) -> Iterator[tuple[ast.AST, str, str, ast.AST]]:
    if isinstance(node, _LEFT_ALONE) or _is_quiet(node):
        return
    if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
        around = (*around, node.name)
    for operator, new in _of_node(node):
        yield node, ".".join(around), operator, ast.copy_location(new, node)
    strings = _strings_read(node) if isinstance(node, ast.FunctionDef) else ()
    if len(strings) > 1:
        yield from _other_columns(node, strings, ".".join(around))
    for name, value in ast.iter_fields(node):
        # annotations name types; decorators and bases are not arithmetic
        if name in ("annotation", "returns", "decorator_list", "bases", "type_params"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.keyword) and child.arg in LOOKS:
                continue
            if isinstance(child, ast.AST):
                yield from _walk(child, around)


def _is_quiet(node: ast.AST) -> bool:
    """Tell a docstring, or an assignment to a name that only Python or a type checker reads."""
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return True
    targets = node.targets if isinstance(node, ast.Assign) else []
    return any(isinstance(t, ast.Name) and t.id == "__all__" for t in targets)


def _of_node(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    for kind, operate in _OPERATORS:
        if isinstance(node, kind):
            yield from operate(node)


def _with(node: ast.AST, **fields: object) -> ast.AST:
    new = copy.copy(node)
    for name, value in fields.items():
        setattr(new, name, value)
    return new


def _compare(node: ast.Compare) -> Iterator[tuple[str, ast.AST]]:
    first, *rest = node.ops
    for name, table in (("boundary", COMPARED), ("direction", REVERSED)):
        if type(first) in table:
            yield name, _with(node, ops=[table[type(first)](), *rest])


def _binary(node: ast.BinOp) -> Iterator[tuple[str, ast.AST]]:
    text = any(
        isinstance(one, (ast.JoinedStr, ast.Constant))
        and not isinstance(getattr(one, "value", 0), (int, float))
        for one in (node.left, node.right)
    )
    if type(node.op) in COMPUTED and not text:
        yield "arithmetic", _with(node, op=COMPUTED[type(node.op)]())
    if not (text and isinstance(node.op, ast.Mod)):
        yield "drop a term", node.left


def _boolean(node: ast.BoolOp) -> Iterator[tuple[str, ast.AST]]:
    yield "and/or", _with(node, op=ast.Or() if isinstance(node.op, ast.And) else ast.And())
    kept = node.values[:-1]
    yield "drop a term", kept[0] if len(kept) == 1 else _with(node, values=kept)


def _unary(node: ast.UnaryOp) -> Iterator[tuple[str, ast.AST]]:
    if isinstance(node.op, (ast.Not, ast.USub, ast.Invert)):
        yield "drop a sign", node.operand


def _negated(node: ast.If | ast.IfExp) -> Iterator[tuple[str, ast.AST]]:
    if isinstance(node, ast.IfExp):
        yield "swap branches", _with(node, body=node.orelse, orelse=node.body)
    elif not (isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"):
        yield "negate", _with(node, test=ast.UnaryOp(ast.Not(), node.test))


def _constant(node: ast.Constant) -> Iterator[tuple[str, ast.AST]]:
    value = node.value
    if isinstance(value, bool):
        yield "flip", ast.Constant(not value)
    elif isinstance(value, int):
        yield "off by one", ast.Constant(value + 1)
    elif isinstance(value, float):
        yield "number", ast.Constant(float(f"{value * 1.25:.12g}") if value else 0.25)


def _call(node: ast.Call) -> Iterator[tuple[str, ast.AST]]:
    function = node.func
    name = getattr(function, "attr", getattr(function, "id", None))
    if name in RENAMED and (node.args or isinstance(function, ast.Attribute)):
        field = "attr" if isinstance(function, ast.Attribute) else "id"
        yield "min/max", _with(node, func=_with(function, **{field: RENAMED[name]}))
    first = node.args[:2]
    if (
        len(first) == 2
        and name not in SYMMETRIC
        and not any(isinstance(one, ast.Starred) for one in first)
    ):
        if ast.dump(first[0]) != ast.dump(first[1]) and _alike(*first):
            yield "swap arguments", _with(node, args=[first[1], first[0], *node.args[2:]])


def _alike(one: ast.AST, other: ast.AST) -> bool:
    """Tell whether two arguments could be mistaken for each other: of one kind of expression."""
    return type(one) is type(other)


def _sequence(node: ast.Tuple | ast.List) -> Iterator[tuple[str, ast.AST]]:
    if isinstance(node.ctx, ast.Store) or len(node.elts) < 2:
        return
    first, second, *rest = node.elts
    if _alike(first, second) and ast.dump(first) != ast.dump(second):
        yield "swap entries", _with(node, elts=[second, first, *rest])


def _dictionary(node: ast.Dict) -> Iterator[tuple[str, ast.AST]]:
    for at in range(len(node.values) - 1):
        one, other = node.values[at : at + 2]
        if node.keys[at] is None or node.keys[at + 1] is None or ast.dump(one) == ast.dump(other):
            continue
        values = [*node.values[:at], other, one, *node.values[at + 2 :]]
        yield "swap values", _with(node, values=values)


def _filtered(node: ast.comprehension) -> Iterator[tuple[str, ast.AST]]:
    if node.ifs:
        yield "drop a filter", _with(node, ifs=node.ifs[:-1])


def _statement(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    function = getattr(node.value, "func", None)
    if getattr(function, "attr", getattr(function, "id", None)) in DRESSED:
        return
    if isinstance(node, ast.AugAssign) or isinstance(node.value, ast.Call):
        yield "drop a statement", ast.Pass()


_OPERATORS = (
    (ast.Compare, _compare),
    (ast.BinOp, _binary),
    (ast.BoolOp, _boolean),
    (ast.UnaryOp, _unary),
    ((ast.If, ast.IfExp), _negated),
    (ast.Constant, _constant),
    (ast.Call, _call),
    ((ast.Tuple, ast.List), _sequence),
    (ast.Dict, _dictionary),
    (ast.comprehension, _filtered),
    ((ast.AugAssign, ast.Expr), _statement),
)


def _strings_read(function: ast.FunctionDef) -> list[ast.Constant]:
    """Return the names of columns that a function reads, each place once."""
    return [
        node.slice
        for node in ast.walk(function)
        if isinstance(node, ast.Subscript)
        and isinstance(node.ctx, ast.Load)
        and isinstance(node.slice, ast.Constant)
        and isinstance(node.slice.value, str)
    ]


def _other_columns(function, strings, place: str):
    """Read another column than the one meant: the next one that the function reads."""
    names = list(dict.fromkeys(one.value for one in strings))
    for one in strings:
        other = names[(names.index(one.value) + 1) % len(names)]
        if other != one.value:
            new = ast.copy_location(ast.Constant(other), one)
            yield one, place, "other column", new
