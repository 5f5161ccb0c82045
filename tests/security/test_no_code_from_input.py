"""No code, query or shell command is built from what comes from outside.

The product's own text is read (its syntax tree), so a way that no test happens to take is seen too.
What to look for: OWASP, "SQL Injection Prevention Cheat Sheet" and "Deserialization Cheat Sheet";
the Python documentation's warnings on pickle, eval, subprocess and yaml.
"""

import ast
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FILES = sorted(
    path
    for folder in ("logger", "analysis", "simulators")
    for path in (ROOT / folder).rglob("*.py")
)
# Modules that turn bytes into objects or text into code.
FORBIDDEN_MODULES = {
    "pickle", "cPickle", "dill", "cloudpickle", "joblib", "marshal", "shelve", "yaml", "code",
    "codeop", "runpy", "xml", "lxml", "pty",
}  # fmt: skip
FORBIDDEN_CALLS = {"eval", "exec", "compile", "__import__"}
# Names from the product's own table of commands; and one that only Windows has.
ALLOWED_IMPORTS = {"logger/cli/app.py", "logger/cli/terminal/keys.py"}

# Calls whose first argument is SQL.
SQL_CALLS = {
    "execute", "executemany", "executescript", "_select", "_one", "_number", "_ids", "_id",
    "_sessions", "_players", "_clubs", "_contacts", "_board_rows",
}  # fmt: skip
# What may stand inside braces in SQL: names of the product's own constants, and names of tables
# and columns that were read from its own schema and quoted. Each was looked at; a new one must be.
SQL_PARTS = {
    # Columns of its own table of groups; values go beside the query.
    "logger/archive/summary.py": {"' AND '.join(conditions)", "_SUMS", "columns", "name"},
    # Its own names of tables and columns: what an act is about is looked up in its own list first.
    "logger/store/acts.py": {
        "', '.join('?' * len(names))", "', '.join(names)", "_IN_FORCE", "_IN_ORDER", "_OF_ACT",
        "_PARTS", "_ROWS[part.about]", "condition", "here", "part.about", "part.field", "table",
        "there",
    },
    "logger/store/copies/backup.py": set(),
    "logger/store/boards.py": {"rest"},
    "logger/store/copies/take_in.py": None,
    "logger/store/copies/make.py": None,
    "logger/store/carry_schema.py": None,
    "logger/store/checking.py": {"quoted(column)", "quoted(table)"},
    "logger/store/copying.py": {"int(at_most)", "quoted(table)"},
    "logger/store/copies/merge.py": {
        "columns", "places", "quoted(OTHER)", "quoted(name)", "quoted(table)",
    },
    "logger/store/copies/merge_records.py": {"records", "table"},
    "logger/store/copies/merge_rows.py": {
        "columns", "names", "places", "quoted(names[-1])", "quoted(parent)", "quoted(schema)",
        "quoted(table)",
    },
    "logger/store/migrations.py": {"APPLICATION_ID", "len(steps)"},
    "logger/store/names.py": {"quoted(row[1])", "quoted(schema)", "quoted(table)"},
    # As many question marks as there are values beside the query.
    "logger/store/raw_records.py": {"' AND '.join(conditions)", "', '.join('?' * len(page))"},
    "logger/store/sessions.py": {"kept", "rest", "table"},
    "logger/store/sets.py": {"_SPEC_COLUMNS", "condition", "rest"},
    "logger/store/strikes.py": {
        "_AFTER_LOSS", "_COLUMNS", "club_up", "lost_up", "rest", "table",
    },
    # Quoted names of tables and columns that are there; ``same`` compares each column with a ``?``.
    "logger/store/unfit_rows.py": {
        "', '.join(map(quoted, names))", "quoted(row.table)", "quoted(table)", "same",
    },
}  # fmt: skip


def name_of(path):
    return path.relative_to(ROOT).as_posix()


@pytest.fixture(scope="module")
def trees():
    return {name_of(path): ast.parse(path.read_text(encoding="utf-8")) for path in FILES}


def called(node):
    function = node.func
    return function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")


# Four tests look through the same trees.
@cache
def calls(tree):
    return [node for node in ast.walk(tree) if isinstance(node, ast.Call)]


def test_there_is_something_to_look_at(trees):
    assert len(trees) > 150
    assert sum(called(node) in SQL_CALLS for tree in trees.values() for node in calls(tree)) > 100


def test_nothing_makes_objects_or_code_from_bytes(trees):
    found = []
    for name, tree in trees.items():
        for node in ast.walk(tree):
            modules = []
            if isinstance(node, ast.Import):
                modules = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                modules = [node.module or ""]
            found += [(name, m) for m in modules if m.split(".")[0] in FORBIDDEN_MODULES]
            if isinstance(node, ast.Call):
                bare = isinstance(node.func, ast.Name) and node.func.id in FORBIDDEN_CALLS
                loads = ast.unparse(node.func) == "importlib.import_module"
                if bare or (loads and name not in ALLOWED_IMPORTS):
                    found.append((name, ast.unparse(node)))
                # numpy reads pickles if it is let.
                pickles = [k for k in node.keywords if k.arg == "allow_pickle"]
                found += [
                    (name, ast.unparse(node)) for k in pickles if ast.unparse(k.value) != "False"
                ]
    # A simulated board at a terminal of its own opens one: that is what the module is for.
    found = [f for f in found if not (f[0].startswith("simulators/") and f[1] == "pty")]
    assert found == []


def test_no_shell_reads_a_command(trees):
    found = []
    for name, tree in trees.items():
        for node in calls(tree):
            shell = [k for k in node.keywords if k.arg == "shell"]
            by_shell = ast.unparse(node.func) in {
                "os.system", "os.popen", "subprocess.getoutput", "subprocess.getstatusoutput",
                "asyncio.create_subprocess_shell",
            }  # fmt: skip
            if shell or by_shell:
                found.append((name, ast.unparse(node)))
    assert found == []


def parts_of(node):
    """What is put into a text that is not the text itself; None for a constant or a plain name."""
    if isinstance(node, ast.JoinedStr):
        return {
            ast.unparse(value.value)
            for value in node.values
            if isinstance(value, ast.FormattedValue)
        }
    if isinstance(node, ast.BinOp):
        return (
            (parts_of(node.left) or set())
            | (parts_of(node.right) or set())
            | ({ast.unparse(side) for side in (node.left, node.right) if not is_text(side)})
        )
    if isinstance(node, ast.Call) and called(node) in ("format", "join", "replace"):
        return {ast.unparse(node)}
    return None


def is_text(node):
    return isinstance(node, ast.Constant | ast.JoinedStr | ast.BinOp)


def test_values_go_to_sql_as_parameters(trees):
    """Only looked-at names stand in braces; all values are ``?`` or ``:name``."""
    found = []
    for name, tree in trees.items():
        allowed = SQL_PARTS.get(name, set())
        if allowed is None:
            continue
        for node in calls(tree):
            if called(node) not in SQL_CALLS or not node.args:
                continue
            for argument in node.args[:2]:
                strange = (parts_of(argument) or set()) - allowed
                found += [f"{name}:{node.lineno}: {part}" for part in sorted(strange)]
    assert found == []


def test_only_the_store_speaks_sql(trees):
    found = [
        f"{name}:{node.lineno}"
        for name, tree in trees.items()
        # The archive asks its own Parquet files, not the data file.
        if not name.startswith(("logger/store/", "logger/archive/"))
        for node in calls(tree)
        if called(node) in {"execute", "executemany", "executescript"}
    ]
    assert found == []


def test_what_is_printed_goes_through_one_door(trees):
    """``say`` and ``output`` make text fit for a terminal; print and echo alone do not."""
    found = []
    for name, tree in trees.items():
        if not name.startswith("logger/") or name == "logger/cli/common.py":
            continue
        for node in calls(tree):
            bare = isinstance(node.func, ast.Name) and node.func.id == "print"
            echo = ast.unparse(node.func) in ("typer.echo", "typer.secho", "sys.stderr.write")
            if not (bare or echo):
                continue
            # JSON escapes what is not ASCII.
            texts = [ast.unparse(argument) for argument in node.args]
            plain = all(isinstance(argument, ast.Constant) for argument in node.args)
            if not plain and not all("json" in text or "fit(" in text for text in texts):
                found.append(f"{name}:{node.lineno}: {', '.join(texts)}")
    assert found == []
