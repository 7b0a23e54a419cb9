"""The rules of the house that a file can be read for: who may import what, how long a module may be, what it must say.

The firmware's own rules stand in test_firmware_station.py.
"""

from __future__ import annotations

import ast
import sys
import tomllib
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SERVICE = ROOT / "service" / "barreltide"
MODULES = sorted(SERVICE.rglob("*.py"))
FIRMWARE = sorted((ROOT / "firmware").rglob("*.py"))

# What the engine may use: values and arithmetic. No clock, no socket, no database, no thread, no process, and of chance
# only the seeded `Random`; of files only what tells one version of the engine from another.
CORE_MAY_IMPORT = {
    "__future__", "bisect", "collections", "collections.abc", "dataclasses", "enum", "functools", "hashlib", "io",
    "itertools", "math", "operator", "pathlib", "pickle", "random", "statistics", "traceback", "typing",
}  # fmt: skip

# Third-party packages that more than one module imports, and why.
SHARED = {
    # The web face is written in it; the rest of the service does without.
    "fastapi": {
        f"web/{name}.py" for name in ("api", "app", "assets", "charts", "door", "entrance", "frame", "views")
    },
    "pydantic": {"pack.py", "site.py"},  # the two doors: what comes over the wire, and what the owner wrote
}


def _imports(file: Path) -> Iterator[tuple[str, str]]:
    """(absolute module, imported name or "") of every import, at whatever depth it stands."""
    package = file.relative_to(SERVICE.parent).parent.parts if file.is_relative_to(SERVICE) else ()
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.Import):
            yield from ((alias.name, "") for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            module = ".".join([*base, *([node.module] if node.module else [])])
            yield from ((module, alias.name) for alias in node.names)


def _name(file: Path) -> str:
    return file.relative_to(SERVICE).as_posix()


def _top(module: str) -> str:
    return module.partition(".")[0]


def _in_core(module: str) -> bool:
    return module == "barreltide.core" or module.startswith("barreltide.core.")


CORE = [file for file in MODULES if _name(file).startswith("core/")]
FIRMWARE_MODULES = {file.stem for file in FIRMWARE} | {"station"}


def test_the_tree_is_where_the_rules_look():
    assert len(CORE) > 10 and len(MODULES) > len(CORE) + 10 and len(FIRMWARE) > 10


@pytest.mark.parametrize("file", CORE, ids=_name)
def test_the_engine_imports_only_values_and_itself(file):
    strange = {module for module, _ in _imports(file) if not _in_core(module)} - CORE_MAY_IMPORT
    assert not strange, f"{_name(file)} imports {strange}: the engine knows no clock, no wire and no disk"
    from_random = {name for module, name in _imports(file) if module == "random"}
    assert from_random <= {"Random"}, "chance in the engine comes from a fixed seed"


@pytest.mark.parametrize("file", CORE, ids=_name)
def test_the_engine_draws_no_chance_without_a_seed(file):
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Random":
            assert node.args, f"{_name(file)}:{node.lineno}: Random() without a seed judges differently each time"


def test_each_third_party_package_is_imported_by_one_module():
    users: dict[str, set[str]] = defaultdict(set)
    for file in MODULES:
        for module, _ in _imports(file):
            top = _top(module)
            if top not in sys.stdlib_module_names and top != "barreltide" and top not in FIRMWARE_MODULES:
                users[top].add(_name(file))
    assert {package: files for package, files in users.items() if len(files) > 1} == SHARED
    assert {"paho", "fastapi", "sqlite_utils"} <= set(users), "the test reads imports, or it would prove nothing"


def test_what_is_imported_is_declared():
    """A package that happens to be installed by another one is missing on the day when that one lets it go."""
    lines = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]
    declared = {line.partition(";")[0].strip().split(">")[0].split("=")[0].split("[")[0] for line in lines}
    provides = {"argon2": "argon2-cffi", "paho": "paho-mqtt", "serial": "pyserial", "sqlite_utils": "sqlite-utils"}
    # pydantic requires typing_extensions itself, and asks that its TypedDict be used below Python 3.12.
    known = FIRMWARE_MODULES | {"barreltide", "typing_extensions"}
    used = {_top(module) for file in MODULES for module, _ in _imports(file)} - set(sys.stdlib_module_names) - known
    assert {provides.get(package, package) for package in used} <= declared


def test_the_simulated_garden_shares_nothing_with_the_engine():
    """Else the engine is tested against its own beliefs. Only the values at its door are common."""
    garden = [SERVICE / "demo" / name for name in ("garden.py", "power.py")]
    for file in garden:
        ours = {module for module, _ in _imports(file) if _top(module) == "barreltide"}
        assert all(module.startswith("barreltide.demo") for module in ours), f"{_name(file)} imports {ours}"
    for name in ("draw.py", "fault.py", "station.py", "run.py"):
        file = ROOT / "tests" / "simulation" / name
        ours = {module for module, _ in _imports(file) if _in_core(module)}
        assert ours <= {"barreltide.core.reading"}, f"simulation/{name} imports {ours}"
    demo = {f"barreltide.demo.{file.stem}" for file in garden}
    assert not [file for file in CORE if demo & {module for module, _ in _imports(file)}]


@pytest.mark.parametrize("file", FIRMWARE, ids=lambda file: file.relative_to(ROOT).as_posix())
def test_the_board_knows_nothing_of_the_service(file):
    assert "barreltide" not in {_top(module) for module, _ in _imports(file)}


@pytest.mark.parametrize("file", MODULES + FIRMWARE, ids=lambda file: file.relative_to(ROOT).as_posix())
def test_a_module_is_short_and_says_what_it_is(file):
    text = file.read_text()
    assert text.count("\n") < 500, "a module fits in one head"
    tree = ast.parse(text)
    if len(tree.body) > 3:
        assert ast.get_docstring(tree), "the first lines say what the module is for"


@pytest.mark.parametrize("file", CORE, ids=_name)
def test_what_the_engine_offers_is_described(file):
    public = [node for node in ast.parse(file.read_text()).body
              if isinstance(node, (ast.ClassDef, ast.FunctionDef)) and not node.name.startswith("_")]  # fmt: skip
    assert not [node.name for node in public if not ast.get_docstring(node)]


def test_the_top_of_the_tree_is_complete():
    names = ("README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", ".ci/run", "tests/run", "deploy/try-it")
    assert not [name for name in names if not (ROOT / name).is_file()]
    assert not [name for name in (".ci/run", "tests/run", "deploy/try-it") if not (ROOT / name).stat().st_mode & 0o111]
    assert len((ROOT / "README.md").read_text()) > 2_000
