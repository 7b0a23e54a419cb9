"""What a stranger meets first: the pages of the project say what is there, and what is shipped works elsewhere."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from barreltide import site

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()
PAGES = {"README.md": README, "DEVELOPERS.md": DEVELOPERS}
WEB = ROOT / "service" / "barreltide" / "web"
PICTURE_BYTES = 200_000


def _help(*command: str) -> str:
    done = subprocess.run([sys.executable, "-m", "barreltide", *command, "--help"], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout


COMMANDS = [
    "serve", "replay", "export", "nights", "turns", "size", "oxygen", "alarms", "acknowledge", "shelve", "unshelve",
    "out-of-service", "maintenance", "note", "dial-in", "shakedown", "notify", "passphrase", "neighbour-link", "phones",
    "rest-test", "check", "backup", "restore", "board", "demo",
]  # fmt: skip


def _tree() -> list[Path]:
    """The paths that DEVELOPERS.md draws: names before the wide gap, two spaces of indent for each level."""
    drawing = DEVELOPERS.split("## The tree")[1].split("```")[1]
    paths: list[Path] = []
    folders: list[Path] = [ROOT]
    for line in drawing.splitlines():
        indent = len(line) - len(line.lstrip())
        if not line.strip() or indent > 8:  # a description that goes on
            continue
        level = indent // 2
        for name in re.split(r"\s{2,}", line.strip())[0].split():
            path = folders[level] / name
            if name.endswith("/"):
                folders[level + 1 :] = [path]
            elif not path.suffix:
                path = path.with_suffix(".py")
            paths.append(path)
    return paths


def test_every_command_that_the_pages_name_is_there():
    words = r"barreltide ([a-z]+(?:-[a-z]+)*) ?(?=[-`a-zA-Z.\n])"
    named = {word for page in PAGES.values() for word in re.findall(words, page)}
    commands = set(re.findall(r"^    ([a-z-]+)(?:  |$)", _help(), re.MULTILINE))
    assert commands == set(COMMANDS)
    assert {word for word in named if f"`barreltide {word}" in README} == commands, "the README's table of commands"


@pytest.mark.parametrize("command", COMMANDS)
def test_every_option_that_the_pages_name_is_there(command):
    known = set(re.findall(r"--[a-z]+", _help(command)))
    pattern = rf"barreltide {command} ([^\n`|]*)" if command != "demo" else r"deploy/try-it (--[^\n`|]*)"
    named = {option for page in PAGES.values() for use in re.findall(pattern, page) for option in
             re.findall(r"--[a-z]+", use)}  # fmt: skip
    assert named and named <= known


@pytest.mark.parametrize("page", PAGES)
def test_every_file_that_a_page_links_to_is_there(page):
    links = [link for link in re.findall(r"\]\(([^)#]+)\)", PAGES[page]) if "://" not in link]
    runs = re.findall(r"^((?:deploy|tests)/[\w.-]+)", PAGES[page], re.MULTILINE)
    assert links or runs or page == "DEVELOPERS.md"
    missing = [name for name in links + runs if not (ROOT / name).exists()]
    assert not missing


def test_the_tree_is_as_drawn():
    drawn = _tree()
    assert len(drawn) > 40
    assert [str(path.relative_to(ROOT)) for path in drawn if not path.exists()] == []


def test_every_module_of_the_service_is_drawn():
    drawn = set(_tree())
    package = ROOT / "service" / "barreltide"
    folders = [package, *(folder for folder in package.iterdir() if folder.is_dir() and folder.name != "demo")]
    modules = [file for folder in folders for file in folder.glob("*.py")]
    assert len(modules) > 25
    hidden = [file.name for file in modules if file not in drawn and not file.name.startswith("__")]
    assert hidden == []


def test_the_example_site_file_is_good():
    example = site.load(ROOT / "deploy" / "site.example.toml")
    assert example.beds and example.pumps and example.stations


def test_pictures_are_small():
    pictures = [ROOT / link for link in re.findall(r"!\[[^]]*\]\(([^)]+)\)", README)]
    assert len(pictures) == 4
    assert all(0 < picture.stat().st_size < PICTURE_BYTES for picture in pictures)


@pytest.mark.parametrize(
    "refuses, line",
    [
        ("sys.version_info", "needs Python 3.11 or newer"),
        ("ensurepip", "sudo apt-get install -y python3-venv"),
        (None, "there is no no-such-python here"),
    ],
)
def test_try_it_names_what_is_missing(tmp_path, refuses, line):
    (tmp_path / "deploy").mkdir()
    shutil.copy(ROOT / "deploy" / "try-it", tmp_path / "deploy")
    stub = tmp_path / "python"
    stub.write_text(f'#!/bin/sh\ncase "$*" in *{refuses}*) exit 1;; esac\n')
    stub.chmod(0o755)
    done = subprocess.run(
        [tmp_path / "deploy" / "try-it"], capture_output=True, text=True, stdin=subprocess.DEVNULL,
        env=os.environ | {"PYTHON": str(stub) if refuses else "no-such-python"},
    )  # fmt: skip
    assert done.returncode == 2
    assert line in done.stderr and done.stderr.count("\n") == 1


def test_the_wheel_holds_firmware_and_pages_and_finds_them(tmp_path):
    pytest.importorskip("hatchling", reason="hatchling, which builds the wheel, is not installed")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)],
        cwd=ROOT, check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        shipped = set(archive.namelist())
        archive.extractall(tmp_path / "elsewhere")
    firmware = {f"barreltide/firmware/{file.relative_to(ROOT / 'firmware')}" for file in
                (ROOT / "firmware").rglob("*") if file.suffix in (".py", ".json")}  # fmt: skip
    assert len(firmware) > 15 and firmware <= shipped
    files = [file for kind in ("templates", "static") for file in (WEB / kind).iterdir()]
    web = {f"barreltide/web/{file.relative_to(WEB)}" for file in files}
    assert len(web) > 6 and web <= shipped
    charts = {"barreltide/web/static/uPlot.iife.min.js", "barreltide/web/static/uPlot.min.css"}
    assert charts <= shipped or not (ROOT / "build" / "charts").exists(), "only a build without a network goes without"
    assert not [name for name in shipped if not name.startswith("barreltide")], "only the package"
    asked = "from barreltide.demo import board; print(board.firmware_folder()); board._load_firmware()"
    done = subprocess.run(
        [sys.executable, "-c", asked], cwd=tmp_path, capture_output=True, text=True, timeout=60,
        env=os.environ | {"PYTHONPATH": str(tmp_path / "elsewhere")},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert Path(done.stdout.strip()) == tmp_path / "elsewhere" / "barreltide" / "firmware"
