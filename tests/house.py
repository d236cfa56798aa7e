"""Measure the source: size, complexity, twins, arrows between packages, types, names.

    .venv/bin/python tests/house.py [TREE ...] [--no-types] [--list]

Each tree is a checkout with `src/ebbmap`; without one, this checkout is measured. A tree that turns
the formatter off in places is measured twice: as it stands, and formatted in a copy, because lines
of two trees can be compared only when both are laid out alike. The table is Markdown; `--list` adds
the places that the last tree's numbers count.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tempfile
import tomllib
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from shutil import copytree, which

HERE = Path(__file__).resolve().parents[1]

#: Limits of the house: lines of a module, lines of a function, complexity (grade C of A to F).
MODULE_LINES, FUNCTION_LINES, COMPLEXITY = 400, 60, 20

#: Like lines that make a twin.
TWIN_LINES = 6

SKIP = re.compile(r"[ \t]*# fmt: skip\b.*$", re.M)

Functions = ast.FunctionDef | ast.AsyncFunctionDef


def package_of(tree: Path) -> Path:
    """Return the folder of the package in a checkout."""
    return tree / "src" / "ebbmap"


def modules(tree: Path) -> dict[str, tuple[str, ast.Module]]:
    """Return text and syntax tree of every module, by its dotted name."""
    root = package_of(tree).parent
    named = {}
    for path in sorted(package_of(tree).rglob("*.py")):
        name = ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__")
        text = path.read_text(encoding="utf-8")
        named[name] = text, ast.parse(text)
    return named


def formatted(tree: Path, place: Path) -> Path:
    """Return a copy of a checkout's source in which the formatter is on everywhere."""
    copytree(package_of(tree), package_of(place))
    for path in package_of(place).rglob("*.py"):
        path.write_text(SKIP.sub("", path.read_text(encoding="utf-8")), encoding="utf-8")
    ruff = HERE / ".venv" / "bin" / "ruff"
    command = str(ruff) if ruff.is_file() else which("ruff") or "ruff"
    layout = ["format", "-q", "--config", str(HERE / "pyproject.toml"), str(place)]
    subprocess.run([command, *layout], check=True)
    return place


def functions(module: ast.Module) -> Iterator[Functions]:
    """Yield every function of a module, nested ones too."""
    return (node for node in ast.walk(module) if isinstance(node, Functions))


def length(function: Functions) -> int:
    """Return the lines of a function from `def` to its end, without its docstring."""
    lines = whole_length(function)
    first = function.body[0]
    if ast.get_docstring(function) is not None and first.end_lineno is not None:
        lines -= first.end_lineno - first.lineno + 1
    return lines


def whole_length(function: Functions) -> int:
    """Return the lines of a function from `def` to its end, with its docstring."""
    return (function.end_lineno or 0) - function.lineno + 1


def complexity(function: Functions) -> int:
    """Return McCabe's number of a function: one more than its branches.

    Branches are if, loops, handlers, cases, conditions of comprehensions, and each further operand
    of `and` and `or`; nested functions count by themselves.

    Examples
    --------
    >>> tree = ast.parse("def f(x):\\n  if x and x > 1:\\n    return [y for y in x if y]")
    >>> complexity(tree.body[0])
    5
    """
    total, todo = 1, list(ast.iter_child_nodes(function))
    while todo:
        node = todo.pop()
        if isinstance(node, Functions | ast.ClassDef):
            continue
        todo += ast.iter_child_nodes(node)
        if isinstance(node, ast.BoolOp):
            total += len(node.values) - 1
        elif isinstance(node, ast.comprehension):
            total += 1 + len(node.ifs)
        elif isinstance(node, ast.For | ast.AsyncFor | ast.While | ast.If | ast.IfExp):
            total += 1
        elif isinstance(node, ast.ExceptHandler | ast.match_case):
            total += 1
    return total


def code_lines(text: str, module: ast.Module) -> list[tuple[int, str]]:
    """Return number and text of the lines that do something.

    Blank lines, comments, docstrings, imports and lines of brackets alone are left out.
    """
    left_out: set[int] = set()
    for node in ast.walk(module):
        if not isinstance(node, ast.Expr | ast.Import | ast.ImportFrom):
            continue
        if not isinstance(node, ast.Expr) or isinstance(node.value, ast.Constant):
            left_out |= set(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    return [
        (number, line.strip())
        for number, line in enumerate(text.splitlines(), 1)
        if number not in left_out
        and not line.lstrip().startswith("#")
        and any(character.isalnum() for character in line)
    ]


def twins(tree: Path) -> list[tuple[str, int, str, int, int]]:
    """Return blocks of like lines: module and line of the earlier and the later one, and lines."""
    earlier: dict[tuple[str, ...], tuple[str, int, int]] = {}
    blocks: list[tuple[str, int, str, int, int]] = []
    for name, (text, module) in modules(tree).items():
        lines = code_lines(text, module)
        covered = 0
        for start in range(len(lines) - TWIN_LINES + 1):
            block = tuple(line for _, line in lines[start : start + TWIN_LINES])
            home, number, index = earlier.setdefault(block, (name, lines[start][0], start))
            if home == name and index > start - TWIN_LINES:
                continue  # itself, or overlapping itself
            if start < covered:
                former = blocks[-1]
                blocks[-1] = (*former[:4], former[4] + start + TWIN_LINES - covered)
            else:
                blocks.append((home, number, name, lines[start][0], TWIN_LINES))
            covered = start + TWIN_LINES
    return blocks


def imports(module: ast.Module) -> Iterator[str]:
    """Yield the full names of all that a module imports, anywhere in it."""
    for node in ast.walk(module):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def arrows(tree: Path) -> set[tuple[str, str]]:
    """Return which package imports which; a module at the top is a package of its own."""
    named = modules(tree)
    found = {
        (package(name), package(wanted))
        for name, (_, module) in named.items()
        for wanted in imports(module)
        if wanted.startswith("ebbmap.")
    }
    packages = {package(name) for name in named} - {""}
    return {(here, there) for here, there in found if here != there and {here, there} <= packages}


def package(module: str) -> str:
    """Return the package right below `ebbmap` that holds a module; nothing for `ebbmap` itself."""
    return module.split(".")[1] if "." in module else ""


def climbs(found: set[tuple[str, str]]) -> int:
    """Return how many arrows climb in the order of packages in which the fewest do.

    An arrow outside every circle never has to; each circle's best order is sought exactly.

    Examples
    --------
    >>> climbs({("cli", "runs"), ("runs", "tables"), ("tables", "runs"), ("runs", "units")})
    1
    """
    return sum(
        _fewest_climbs(circle, {arrow for arrow in found if set(arrow) <= circle})
        for circle in circles(found)
    )


def circles(found: set[tuple[str, str]]) -> list[set[str]]:
    """Return the sets of two or more packages that all import each other, by detours too."""
    reached = defaultdict(set)
    for here, there in found:
        reached[here].add(there)
    nodes = sorted({node for arrow in found for node in arrow})
    for between in nodes:
        for here in nodes:
            if between in reached[here]:
                reached[here] |= reached[between]
    rings = {frozenset(b for b in nodes if b in reached[a] and a in reached[b]) for a in nodes}
    return sorted((set(ring) for ring in rings if len(ring) > 1), key=sorted)


def _fewest_climbs(circle: set[str], found: set[tuple[str, str]]) -> int:
    """Return the least arrows against an order of one circle, over all orders (Held and Karp)."""
    names = sorted(circle)
    places = {name: 1 << k for k, name in enumerate(names)}
    imports = [sum(places[b] for a, b in found if a == name) for name in names]
    fewest = [0] + [len(found)] * ((1 << len(names)) - 1)
    for below in range(1 << len(names)):
        for k, wanted in enumerate(imports):
            if not below >> k & 1:
                above = below | 1 << k
                climbing = (wanted & ~above).bit_count()
                fewest[above] = min(fewest[above], fewest[below] + climbing)
    return fewest[-1]


def public_names(tree: Path) -> tuple[int, int]:
    """Return how many names the package offers, and how many public ones all modules define."""
    named = modules(tree)
    code = "import sys; sys.path.insert(0, sys.argv[1]); import ebbmap; print(len(ebbmap.__all__))"
    command = [sys.executable, "-c", code, str(tree / "src")]
    offered = int(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
    defined = sum(
        not node.name.startswith("_")
        for _, module in named.values()
        for node in module.body
        if isinstance(node, Functions | ast.ClassDef)
    )
    return offered, defined


def study_names(tree: Path) -> int:
    """Return how many different names the main study uses: keys, and values of one word."""
    study = tomllib.loads((tree / "studies" / "release_time.toml").read_text(encoding="utf-8"))
    names: set[str] = set()
    todo: list[object] = [study]
    while todo:
        thing = todo.pop()
        if isinstance(thing, dict):
            names |= set(thing)
            todo += thing.values()
        elif isinstance(thing, list):
            todo += thing
        elif isinstance(thing, str) and thing.isidentifier():
            names.add(thing)
    return len(names)


def strict_errors(tree: Path) -> dict[str, int]:
    """Return how many errors `mypy --strict` finds, by package."""
    with tempfile.TemporaryDirectory() as cache:
        done = subprocess.run(
            [sys.executable, "-m", "mypy", "--strict", "--cache-dir", cache, "src/ebbmap"],
            cwd=tree,
            capture_output=True,
            text=True,
        )
    if done.returncode == 2 or not done.stdout:
        raise RuntimeError(f"mypy failed on {tree}: {done.stderr or done.stdout}")
    counts: dict[str, int] = defaultdict(int)
    for path in re.findall(r"^src/ebbmap/(\S+?):\d+: error:", done.stdout, re.M):
        counts[path.split("/")[0]] += 1
    return dict(counts)


def measure(tree: Path, source: Path, types: bool) -> dict[str, object]:
    """Return the measures of one tree, whose source may be a formatted copy."""
    named = modules(source)
    every = [one for _, module in named.values() for one in functions(module)]
    lines = {name: len(text.splitlines()) for name, (text, _) in named.items()}
    blocks, between = twins(source), arrows(source)
    skips = sum(len(SKIP.findall(text)) for text, _ in named.values())
    offered, defined = public_names(source)
    table = {
        "lines of src (modules)": f"{sum(lines.values()):,} ({len(lines)})",
        f"modules over {MODULE_LINES} lines": sum(n > MODULE_LINES for n in lines.values()),
        f"functions over {FUNCTION_LINES} lines, docstring not counted": sum(
            length(one) > FUNCTION_LINES for one in every
        ),
        "the same, docstring counted": sum(whole_length(one) > FUNCTION_LINES for one in every),
        f"blocks of complexity over {COMPLEXITY} (D or worse); the most complex": (
            f"{sum(complexity(one) > COMPLEXITY for one in every)}; {max(map(complexity, every))}"
        ),
        f"twins of {TWIN_LINES} lines or more (lines in them)": (
            f"{len(blocks)} ({sum(block[-1] for block in blocks)})"
        ),
        "places where the formatter is off": skips,
        "packages; arrows between them": f"{len({x for a in between for x in a})}; {len(between)}",
        "arrows that climb, in the best order of packages": climbs(between),
        "packages in circles": sum(len(ring) for ring in circles(between)),
        "public names: `ebbmap`; functions and classes of all modules": f"{offered}; {defined}",
        "names in the main study": study_names(tree),
    }
    if types:
        table["errors of `mypy --strict`"] = f"{sum(strict_errors(tree).values()):,}"
    return table


def places(tree: Path, types: bool) -> Iterator[str]:
    """Yield a line for everything that is too long, too complex, double, or in a circle."""
    for name, (text, module) in modules(tree).items():
        if len(text.splitlines()) > MODULE_LINES:
            yield f"{name}: {len(text.splitlines())} lines"
        for one in functions(module):
            if whole_length(one) > FUNCTION_LINES:
                yield f"{name}:{one.lineno} {one.name}: {whole_length(one)} lines ({length(one)})"
            if complexity(one) > COMPLEXITY:
                yield f"{name}:{one.lineno} {one.name}: complexity {complexity(one)}"
    for home, number, name, line, lines in twins(tree):
        yield f"{name}:{line} is {home}:{number} again, {lines} lines"
    for ring in circles(arrows(tree)):
        within = sorted(arrow for arrow in arrows(tree) if set(arrow) <= ring)
        yield f"circle: {', '.join(f'{here} imports {there}' for here, there in within)}"
    if types:
        yield from (f"{name}: {n} strict errors" for name, n in strict_errors(tree).items())


def main(arguments: list[str]) -> None:
    """Print one column for each tree."""
    types = "--no-types" not in arguments
    trees = [Path(one).resolve() for one in arguments if not one.startswith("--")] or [HERE]
    columns = {}
    for tree in trees:
        name = str(tree) if len(trees) > 1 else "here"
        columns[name] = measure(tree, tree, types)
        if columns[name]["places where the formatter is off"]:
            with tempfile.TemporaryDirectory() as place:
                source = formatted(tree, Path(place))
                columns[f"{name}, formatted"] = measure(tree, source, types=False)
    print("| measure |", " | ".join(columns), "|")
    print("| --- |", " | ".join("---" for _ in columns), "|")
    for row in next(iter(columns.values())):
        print(
            f"| {row} |", " | ".join(str(column.get(row, "")) for column in columns.values()), "|"
        )
    if "--list" in arguments:
        print("", *places(trees[-1], types), sep="\n")


if __name__ == "__main__":
    main(sys.argv[1:])
