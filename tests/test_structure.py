"""The layout that keeps the code readable: who may import whom, sizes, docstrings, unit names."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

SIM = Path(__file__).resolve().parents[1] / "sim"
MODULES = sorted(SIM.rglob("*.py"))

# Low to high; whoever stands higher may import from lower ones and from its own floor.
FLOORS = (
    ("errors", "units"),
    ("physics",),
    ("drive",),
    ("integrate",),
    ("judge",),
    ("files",),
    ("fit",),
    ("ask",),
    ("show",),
    ("commands",),
    ("cli",),
)
FLOOR = {name: level for level, names in enumerate(FLOORS) for name in names}
# The floors that compute know no files, no tables, no command line.
COMPUTING = ("physics", "drive", "integrate", "judge")
COMPUTES = [path for path in MODULES if path.relative_to(SIM).parts[0] in COMPUTING]
NOT_COMPUTING = {"pandas", "matplotlib", "typer", "pydantic", "pathlib", "json", "tomllib", "csv"}
MOST_LINES, MOST_BODY, MOST_NESTED = 400, 60, 3
# Not yet within the bounds, and not to grow; take a name out when it is.
LONGER: dict[str, int] = {}
DEEPER = {"run": 4, "cache_folder": 4}

UNITS = (
    "V A W J K C s h Hz m m2 m3 kg g N Pa F ohm mohm Ah As Wh rad percent "
    "J_K W_K K_W V_K mV_K K_s W_s W_m2 W_m2K W_m3 m_s m_s2 km_h kg_m3 clock_s"
    " A2 A2s_m4 Km_W W_mK"
)
SUFFIX = re.compile(rf"_({'|'.join(sorted(UNITS.split(), key=len, reverse=True))})$")
# Numbers without a unit, counts and places in an array, and records or arrays that hold several
# units. A new physical quantity does not belong here: it takes its unit into its name.
DIMENSIONLESS = {
    *("soc", "fraction", "emissivity", "prandtl", "rayleigh", "slenderness", "relative", "scale"),
    # In whatever unit the caller's limit or load has.
    *("value", "x", "low", "high", "fall", "enters", "leaves"),
    *("ratio", "awg"),
}
PLACES = {"i", "k", "limit", "kind", "which", "steps", "last", "halves", "leg"}
RECORDS = {
    *("plant", "pack", "cell", "film", "box", "grid", "limits", "legs", "leg", "seen", "book"),
    *("heating", "step", "stops", "kept", "a", "passed_on", "halfway", "room", "source", "target"),
    "wire",
}
STATES = {
    *("state", "states", "rate", "margin", "start", "looks", "out", "y", "middle", "fresh", "new"),
    *("earlier", "before", "halfway", "after"),
}
BARE = DIMENSIONLESS | PLACES | RECORDS | STATES
# The cache of machine code is named after its sources, so the compiler looks at them.
READS_ITS_SOURCES = SIM / "physics" / "compiled.py"
READS_ITS_STARTER = SIM / "show" / "starter.py"  # files that lie inside the package


def named(path: Path) -> str:
    return str(path.relative_to(SIM.parent))


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def dotted(path: Path) -> str:
    parts = path.relative_to(SIM.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(path: Path) -> Iterator[str]:
    """Yield every module that a file imports, wherever in it, in full."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno} imports by dots"
            yield str(node.module)
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def ours(path: Path) -> set[str]:
    """Return which of our modules a file imports."""
    known = {dotted(module) for module in MODULES} - {"sim"}
    return {name for name in imports(path) if name in known}


def functions(path: Path) -> Iterator[ast.FunctionDef]:
    yield from (node for node in ast.walk(tree(path)) if isinstance(node, ast.FunctionDef))


def is_compiled(function: ast.FunctionDef) -> bool:
    return any(isinstance(d, ast.Name) and d.id == "compiled" for d in function.decorator_list)


def public(path: Path) -> Iterator[ast.FunctionDef | ast.ClassDef]:
    """Yield public functions and classes, and the public methods of public classes."""
    for node in tree(path).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                yield from (
                    method
                    for method in node.body
                    if isinstance(method, ast.FunctionDef) and not method.name.startswith("_")
                )


@pytest.mark.parametrize("path", MODULES, ids=named)
def test_imports_go_down_only(path):
    own = path.relative_to(SIM).parts[0].removesuffix(".py")
    if own == "__init__":
        assert ours(path) == set()
        return
    assert own in FLOOR, f"{own} stands on no floor; name it in FLOORS"
    for name in ours(path):
        floor = name.split(".")[1]
        assert FLOOR[floor] <= FLOOR[own], f"{dotted(path)} imports {name} from above"


def test_no_module_imports_itself_by_a_detour():
    inside = {dotted(path): ours(path) - {dotted(path)} for path in MODULES}
    done: set[str] = set()
    while inside:
        free = {name for name, needs in inside.items() if needs <= done}
        assert free, f"these import each other in a ring: {sorted(inside)}"
        done |= free
        inside = {name: needs for name, needs in inside.items() if name not in free}


@pytest.mark.parametrize("path", COMPUTES, ids=named)
def test_computing_floors_know_no_files_tables_or_command_line(path):
    roots = {name.split(".")[0] for name in imports(path)}
    allowed = {"pathlib"} if path == READS_ITS_SOURCES else set()
    assert roots & NOT_COMPUTING == allowed
    called = {
        n.func.id for n in ast.walk(tree(path)) if isinstance(n, ast.Call) and hasattr(n.func, "id")
    }
    assert called & {"open", "print", "input"} == set()


def test_pictures_alone_know_matplotlib_and_the_command_line_alone_typer():
    users = {root: set() for root in ("matplotlib", "typer", "numba", "pydantic", "pandas")}
    for path in MODULES:
        for root in {name.split(".")[0] for name in imports(path)} & set(users):
            users[root].add(str(path.relative_to(SIM)))

    assert users["matplotlib"] >= {"show/plots.py"}
    assert all(re.fullmatch(r"show/(\w+_)?plots\.py", name) for name in users["matplotlib"])
    assert all(re.match(r"cli\.py|commands/|show/progress\.py", name) for name in users["typer"])
    compilers = {
        f"physics/{name}.py"
        for name in ("abreast", "compiled", "lanes_type", "rows", "side_by_side")
    }
    assert users["numba"] <= compilers
    assert users["pydantic"] >= {"files/toml.py"}
    assert not [name for name in users["pydantic"] if not re.match(r"files/|ask/", name)]
    assert all(re.match(r"show/|files/", name) for name in users["pandas"])


@pytest.mark.parametrize("path", MODULES, ids=named)
def test_no_module_looks_for_the_projects_own_profiles_or_scenarios(path):
    """They lie outside the package: an installed Stillair does not have them."""
    texts = [
        node.value
        for node in ast.walk(tree(path))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    ]
    assert not [text for text in texts if re.match(r"(\.\./)*(profiles|scenarios)(/|$)", text)]
    used = {node.id for node in ast.walk(tree(path)) if isinstance(node, ast.Name)}
    assert "__file__" not in used or path == READS_ITS_SOURCES
    resources = {name for name in imports(path) if name.startswith(("importlib.resources", "pkg"))}
    assert not resources or path == READS_ITS_STARTER


@pytest.mark.parametrize("path", MODULES, ids=named)
def test_a_module_has_at_most_400_lines_and_says_what_it_is(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= MOST_LINES
    assert ast.get_docstring(tree(path)), "no docstring"


@pytest.mark.parametrize("path", MODULES, ids=named)
def test_a_function_has_at_most_60_lines(path):
    for function in functions(path):
        body = function.body[1:] if ast.get_docstring(function) else function.body
        lines = function.end_lineno - body[0].lineno + 1 if body else 0
        most = LONGER.get(function.name, MOST_BODY)
        assert lines <= most, f"{function.name} has {lines} lines"


BLOCKS = (ast.For, ast.While, ast.If, ast.With, ast.Try)


def depth(node: ast.AST, so_far: int = 0) -> int:
    """Return how deep blocks are nested; an `elif` is no deeper than its `if`."""
    deepest = so_far
    for name, value in ast.iter_fields(node):
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST) or isinstance(child, ast.FunctionDef):
                continue
            chained = isinstance(node, ast.If) and name == "orelse" and len(node.orelse) == 1
            deeper = isinstance(child, BLOCKS) and not (chained and isinstance(child, ast.If))
            deepest = max(deepest, depth(child, so_far + deeper))
    return deepest


@pytest.mark.parametrize("path", MODULES, ids=named)
def test_blocks_are_nested_at_most_three_deep(path):
    for function in functions(path):
        assert depth(function) <= DEEPER.get(function.name, MOST_NESTED), function.name


@pytest.mark.parametrize("path", MODULES, ids=named)
def test_every_public_name_has_a_docstring(path):
    missing = [node.name for node in public(path) if not ast.get_docstring(node)]
    assert missing == []


def numeric_parameters(path: Path) -> Iterator[tuple[str, str]]:
    """Yield (function, parameter) where a number or an array is handed in.

    In compiled functions, which carry no annotations, all but the records; in public ones those
    annotated as float or as an array of them.
    """
    for function in functions(path):
        arguments = function.args
        for argument in arguments.posonlyargs + arguments.args + arguments.kwonlyargs:
            words = "" if argument.annotation is None else ast.unparse(argument.annotation)
            number = re.match(r"(float|Floats|np\.ndarray|NDArray\[np\.float64\])\b", words)
            if is_compiled(function) or (number and not function.name.startswith("_")):
                yield function.name, argument.arg


@pytest.mark.parametrize("path", COMPUTES, ids=named)
def test_physical_parameters_carry_their_unit(path):
    bare = [
        f"{f}({p})" for f, p in numeric_parameters(path) if p not in BARE and not SUFFIX.search(p)
    ]
    assert bare == []
