"""The computer that is installed on, for deploy/install: each change is said, and made only where it is needed."""

from __future__ import annotations

import grp
import os
import pwd
import subprocess
from pathlib import Path


class Stop(Exception):
    """What keeps the installer from going on; one line."""


def ask(*command: str) -> tuple[int, str]:
    """The exit status and what is said, by a command that changes nothing."""
    done = subprocess.run(command, capture_output=True, text=True, stdin=subprocess.DEVNULL)
    return done.returncode, done.stdout


class Machine:
    """What is changed is changed here: said, left as it is where it is right already, and only said in a dry run.

    root: everything lies under it, for an image that does not run yet; "/" is this computer.
    """

    def __init__(self, root: str, dry: bool) -> None:
        self.root, self.dry, self.changes = Path(root), dry, 0
        self.is_here = self.root == Path("/")
        self.has_systemd = self.is_here and Path("/run/systemd/system").is_dir()

    def at(self, path: str) -> Path:
        return self.root / path.lstrip("/")

    def say(self, what: str) -> bool:
        """True where it is to be done."""
        self.changes += 1
        print(f"{'would ' if self.dry else ''}{what}", flush=True)
        return not self.dry

    def write(self, path: str, content: str | bytes, mode: int = 0o644, group: str = "root") -> bool:
        """Whether the file had to be changed. It is whole at any moment, and private from its first byte on."""
        file, body = self.at(path), content.encode() if isinstance(content, str) else content
        gid = self._group(group)
        if file.is_file() and file.read_bytes() == body:
            found = file.stat()
            if (found.st_mode & 0o777, found.st_uid, found.st_gid) == (mode, self._uid, gid):
                return False
        if self.say(f"write {path}"):
            file.parent.mkdir(parents=True, exist_ok=True)
            draft = file.with_name(f".{file.name}.draft")
            draft.unlink(missing_ok=True)
            with open(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
                out.write(body)
                os.fchmod(out.fileno(), mode)
                if self.is_here:
                    os.fchown(out.fileno(), 0, gid)
            draft.replace(file)
        return True

    def folder(self, path: str, mode: int, owner: str = "root", group: str = "root") -> None:
        folder, gid = self.at(path), self._group(group)
        if folder.is_dir() and (folder.stat().st_mode & 0o777, folder.stat().st_gid) == (mode, gid):
            return
        if self.say(f"make the folder {path}"):
            folder.mkdir(parents=True, exist_ok=True)
            folder.chmod(mode)
            if self.is_here:
                os.chown(folder, pwd.getpwnam(owner).pw_uid, grp.getgrnam(group).gr_gid)

    def link(self, path: str, to: str) -> bool:
        link = self.at(path)
        if link.is_symlink() and os.readlink(link) == to:
            return False
        if self.say(f"point {path} to {to}"):
            link.parent.mkdir(parents=True, exist_ok=True)
            draft = link.with_name(f".{link.name}.draft")
            draft.unlink(missing_ok=True)
            draft.symlink_to(to)
            draft.replace(link)
        return True

    def run(self, what: str, *command: str, quiet: bool = True) -> None:
        """Raises Stop with the end of what the command said."""
        if not self.say(what):
            return
        done = subprocess.run(command, capture_output=quiet, text=True, stdin=subprocess.DEVNULL)
        if done.returncode:
            lines = ((done.stderr or "") + (done.stdout or "")).strip().splitlines()
            told = [line.strip() for line in lines if "error" in line.lower()][:2] or lines[-3:]
            raise Stop(f"`{' '.join(command)}` failed: {' / '.join(told) or f'status {done.returncode}'}")

    def systemctl(self, what: str, *arguments: str) -> None:
        if not self.is_here or not (self.has_systemd or arguments[0] == "enable"):
            return
        question = {"enable": "is-enabled", "start": "is-active"}.get(arguments[0])
        if question is None or any(ask("systemctl", question, unit)[0] for unit in arguments[1:]):
            self.run(what, "systemctl", *arguments)

    @property
    def _uid(self) -> int:
        return 0 if self.is_here else os.geteuid()

    def _group(self, name: str) -> int:
        try:
            return grp.getgrnam(name).gr_gid if self.is_here else os.getegid()
        except KeyError:  # a dry run, before its package or user is there
            return -1
