"""Carries one notice to one channel, in a child process.

The library that knows the many channels costs 24 MB and some of its channels can hang, so it is loaded only in
`python -m barreltide.notices.courier`, which lives for one sending and is killed when it takes too long. The check at
the start of the service finds out which of the library's two hundred modules a URL needs; a sending then loads that one
alone, which halves its time and its memory. (A child kept waiting would spare the other half of a second, for that
memory day and night; an alarm has waited for minutes by then.) A job goes in
as one line of JSON on standard input, never on the command line, since every user of a machine can read command lines
and a channel's URL holds its password. The answer comes out as one line of JSON, with every part of the URL blotted
out.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from threading import Event
from urllib.parse import unquote

SEND_TIMEOUT_S = 20.0
CHECK_TIMEOUT_S = 60.0
STOP_GRACE_S = 1.5
ERROR_CHARACTERS = 300
ANSWER_BYTES = 64 * 1024

_plugins: dict[str, str] = {}  # by URL: "module:class" of its channel, as the check has found


def send(
    url: str,
    title: str,
    body: str,
    kind: str = "warning",
    *,
    key: str = "",
    timeout_s: float = SEND_TIMEOUT_S,
    stop: Event | None = None,
) -> str | None:
    """Send one notice; None when the channel took it, otherwise the reason in one line without secrets.

    kind: "info", "success", "warning" or "failure"; key: the same for all that is about one thing, so that mail of it
    is shown together. timeout_s: seconds before the child is killed; once `stop` is set it has STOP_GRACE_S more at
    most.
    """
    job = {"url": url, "title": title, "body": body, "kind": kind, "key": key, "plugin": _plugins.get(url)}
    answer = run(job, timeout_s, stop)
    return None if answer.get("ok") is True else str(answer.get("error") or "no reason given")[:ERROR_CHARACTERS]


def check(urls: list[str], places: list[str] | None = None, timeout_s: float = CHECK_TIMEOUT_S) -> list[str]:
    """One line for each URL that no channel understands, naming its place in the site file and its schema only."""
    if not urls:
        return []
    places = places or [f"[notify] urls, number {number}" for number in range(1, len(urls) + 1)]
    answer = run({"check": list(urls), "places": places}, timeout_s, None)
    wrong = answer.get("wrong")
    if not isinstance(wrong, list):
        return [f"the notice channels could not be checked: {answer.get('error', 'no reason given')}"]
    _plugins.update({url: plugin for url, plugin in zip(urls, answer.get("plugins", ()), strict=False) if plugin})
    return [str(line) for line in wrong]


def label(url: str) -> str:
    """The schema of a channel's URL (`mailto`), the only part of it that may be shown."""
    schema = re.match(r"\s*([A-Za-z][A-Za-z0-9+.-]{0,31})://", url)
    return schema.group(1).lower() if schema else "no schema"


def redact(text: str, url: str) -> str:
    """`text` in one line, with every part of `url` except its schema replaced by an ellipsis."""
    rest = url.split("://", 1)[-1]
    pieces = {rest, unquote(rest)}
    for piece in re.split(r"[/:@?&=,#\s]+", rest):
        pieces |= {piece, unquote(piece)}
    # Pieces of one or two characters are no secret, and blotting them out would leave no readable word.
    for piece in sorted((p for p in pieces if len(p) > 2), key=len, reverse=True):
        text = re.sub(re.escape(piece), "…", text, flags=re.IGNORECASE)
    return " ".join(text.split())[:ERROR_CHARACTERS]


def run(job: dict, timeout_s: float, stop: Event | None) -> dict:
    """The child's answer, or {"ok": False, "error": why there is none}."""
    try:
        child = subprocess.Popen(
            [sys.executable, "-P", "-m", "barreltide.notices.courier", str(timeout_s)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,  # a Ctrl-C at the service must not cut a notice short
        )
    except OSError as error:
        return {"ok": False, "error": f"the courier could not be started: {error.strerror}"}
    job_line: bytes | None = json.dumps(job).encode()
    give_up = time.monotonic() + timeout_s
    stopping = False
    with child:
        while True:
            try:
                out, _ = child.communicate(job_line, timeout=0.2)
                break
            except subprocess.TimeoutExpired:
                job_line = None  # communicate() keeps what it was first given
            if stop and stop.is_set() and not stopping:
                stopping, give_up = True, min(give_up, time.monotonic() + STOP_GRACE_S)
            if time.monotonic() >= give_up:
                child.kill()
                child.communicate()
                why = "stopped with the service" if stopping else f"no answer within {timeout_s:g} s"
                return {"ok": False, "error": why}
    try:
        answer = json.loads(out[:ANSWER_BYTES])
    except ValueError:
        answer = None
    if not isinstance(answer, dict):
        return {"ok": False, "error": f"the courier ended with status {child.returncode} and no answer"}
    return answer


# What follows runs in the child.


def _load():
    """The channel library, with what it has to say kept in a list instead of printed."""
    import logging

    import apprise

    said: list[str] = []

    class Keep(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if len(said) < 20:
                said.append(record.getMessage())

    logger = logging.getLogger("apprise")
    logger.addHandler(Keep(logging.WARNING))
    logger.propagate = False
    asset = apprise.AppriseAsset(app_id="Barreltide", app_desc="Barreltide", app_url="", async_mode=False)
    return apprise, asset, said


def _alone(plugin: str | None, url: str, asset):
    """The channel from its own module; None where that does not come about: the library then loads all it has."""
    import importlib

    try:
        module, _, name = plugin.partition(":")
        kind = getattr(importlib.import_module(module), name)
        channel = kind(**kind.parse_url(url), asset=asset)
        return channel if channel.enabled else None
    except Exception:  # whatever a channel's own code may do: the long way round tells what is wrong
        return None


def _send(job: dict) -> dict:
    apprise, asset, said = _load()
    channels = apprise.Apprise(asset=asset)
    if not channels.add(_alone(job["plugin"], job["url"], asset) or job["url"]):
        return {"ok": False, "error": f"no channel understands this {label(job['url'])} URL"}
    if job["key"] and label(job["url"]) in ("mailto", "mailtos"):
        for channel in channels:  # RFC 5322, 3.6.4: letters that refer to the same one are of one thread
            thread = f"<{job['key']}@barreltide.invalid>"
            channel.headers.update({"In-Reply-To": thread, "References": thread})
    try:
        taken = channels.notify(
            body=job["body"], title=job["title"], notify_type=job["kind"], body_format=apprise.NotifyFormat.TEXT
        )
    except Exception as error:  # a channel's own bug must still become a reason
        return {"ok": False, "error": redact(f"{type(error).__name__}: {error}", job["url"])}
    if taken:
        return {"ok": True, "error": None}
    return {"ok": False, "error": redact(said[-1] if said else "the channel refused", job["url"])}


def _check(urls: list[str], places: list[str]) -> dict:
    import difflib

    apprise, asset, _ = _load()
    known = {
        schema
        for plugin in apprise.Apprise(asset=asset).details()["schemas"]
        for schema in (*(plugin["protocols"] or ()), *(plugin["secure_protocols"] or ()))
    }
    wrong, plugins = [], []
    for where, url in zip(places, urls, strict=True):
        channels = apprise.Apprise(asset=asset)
        if channels.add(url):
            plugin = f"{type(channels[0]).__module__}:{type(channels[0]).__qualname__}"
            alone = _alone(plugin, url, asset)  # of an address as a web page shows it, it would make something else
            plugins.append(plugin if alone is not None and alone.url() == channels[0].url() else None)
            continue
        plugins.append(None)
        schema = label(url)
        if schema == "no schema":
            wrong.append(f"{where}: has no schema; a channel is written like mailto://… or json://…")
        elif schema in known:
            wrong.append(f"{where}: this {schema}:// URL lacks something that the channel needs, or has a wrong part")
        else:
            like = difflib.get_close_matches(schema, sorted(known), 1)
            meant = f"; did you mean {like[0]}://?" if like else ""
            wrong.append(f"{where}: no channel is called {schema}://{meant}")
    return {"wrong": wrong, "plugins": plugins}


def main() -> None:
    import os
    import signal

    # Should the service die meanwhile, nobody is left to kill this child: it ends itself.
    if hasattr(signal, "alarm"):
        signal.alarm(int(float(sys.argv[1])) + 5)
    job = json.load(sys.stdin)
    # A channel that prints must not garble the answer.
    answer_to, sys.stdout = sys.stdout, open(os.devnull, "w")
    if "check" in job:
        answer = _check(job["check"], job["places"])
    elif "push" in job or "push-keys" in job:
        from . import push

        answer = push.deliver(job) if "push" in job else push.make_keys(job["push-keys"])
    else:
        answer = _send(job)
    print(json.dumps(answer), file=answer_to, flush=True)
    # A channel's left-over thread must not hold up the end.
    os._exit(0)


if __name__ == "__main__":
    main()
