"""How large the house is: files, lines, rooms, and who imports whom.

Run: python tests/benchmarks/house.py [FOLDER of a checkout]. Counts `logger` and `analysis`; a line
of code is one that is neither blank nor only comment nor docstring. Imports are those of the whole
file, also inside functions and for types alone. Prints one line of JSON last.
"""

from __future__ import annotations

import ast
import io
import json
import sys
import tokenize
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

ROOT = Path(__file__).parents[2]
PACKAGES = ("logger", "analysis")
_NO_CODE = {
    tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT,
    tokenize.ENCODING, tokenize.ENDMARKER,
}  # fmt: skip
Imports = Mapping[str, frozenset[str]]


def modules(root: Path = ROOT) -> dict[str, Path]:
    """All modules by dotted name; a package goes by its own name."""
    found = {}
    for package in PACKAGES:
        for path in sorted((root / package).rglob("*.py")):
            parts = path.relative_to(root).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def imports(found: Mapping[str, Path]) -> Imports:
    """What each module names in its import statements, of these modules."""
    return {name: frozenset(_named(path, found)) - {name} for name, path in found.items()}


def _named(path: Path, found: Mapping[str, Path]) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name in found)
        elif isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                if inner in found:
                    yield inner
                elif node.module in found:
                    yield node.module


def reached(graph: Imports, roots: Iterable[str]) -> set[str]:
    """Every module that is loaded from ``roots``, packages around it included."""
    seen: set[str] = set()
    todo = list(roots)
    while todo:
        name = todo.pop()
        if name in seen:
            continue
        seen.add(name)
        todo += graph[name]
        if "." in name:
            todo.append(name.rpartition(".")[0])
    return seen


def circle(graph: Imports) -> list[str]:
    """Some circle of imports, its first module again at its end; empty if there is none."""
    done: set[str] = set()

    def look(name: str, way: list[str]) -> list[str]:
        if name in way:
            return [*way[way.index(name) :], name]
        if name not in done:
            for other in sorted(graph[name]):
                if found := look(other, [*way, name]):
                    return found
            done.add(name)
        return []

    return next((found for name in sorted(graph) if (found := look(name, []))), [])


def lines(path: Path) -> tuple[int, int]:
    """Lines of code; lines that are only comment or docstring."""
    text = path.read_text("utf-8")
    alone = {
        (node.lineno, node.col_offset)
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    }
    code: set[int] = set()
    told: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        where = range(token.start[0], token.end[0] + 1)
        if token.type == tokenize.COMMENT or token.start in alone:
            told.update(where)
        elif token.type not in _NO_CODE:
            code.update(where)
    return len(code), len(told - code)


def counts(root: Path) -> dict[str, int]:
    """All figures of a checkout."""
    found = modules(root)
    graph = imports(found)
    used_by = Counter(other for others in graph.values() for other in others)
    classes = Counter(
        node.name
        for path in found.values()
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_")
    )
    size = {name: lines(path) for name, path in found.items()}
    analysis = {name.split(".")[1] for name in found if name.count(".") and name[:8] == "analysis"}
    return {
        "files": len(found),
        "lines_of_code": sum(code for code, _ in size.values()),
        "lines_of_comment": sum(told for _, told in size.values()),
        "modules_with_one_importer": sum(count == 1 for count in used_by.values()),
        "under_80_lines_of_code_with_one_importer": sum(
            count == 1 and size[name][0] < 80 for name, count in used_by.items()
        ),
        "class_names_that_mean_two_things": sum(count > 1 for count in classes.values()),
        "rooms_of_analysis": len(analysis),
        "import_arrows": sum(map(len, graph.values())),
        "modules_in_a_circle": len(circle(graph)),
    }


if __name__ == "__main__":
    print(json.dumps(counts(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT)))
