"""Starts the station's program, and decides which: the one beside this file, or the one in folder `a` or `b`.

An update goes into the folder that does not run, and is on trial until the host has receipted a pack of it. The file
firmware.json says so: {"run": "b", "before": "a", "boots": 1} is b on trial at its first start, {"run": "b"} is b for
good. A trial ends, and the program before runs again, at an error that nobody caught, at the fourth start, or when the
program itself gives up for want of a receipt (program.py); {"failed": "..."} then keeps why.

This file is the one that no trial covers. It is short, and changes seldom.
"""

import io
import json
import os
import sys

BOOTS = 3
STATE = "firmware.json"
CRASH = "crash.log"
MAX_CRASH = 2_000


def _here():
    """Where this file lies, with a slash at its end; empty where that is the current folder."""
    file = globals().get("__file__", "")
    return file[: file.rfind("/") + 1]


def _read(name):
    try:
        with open(_here() + name) as file:
            return file.read()
    except OSError:
        return ""


def _write(name, text):
    """Whole or not at all, whenever the power goes."""
    place = _here() + name
    with open(place + ".new", "w") as file:
        file.write(text)
    os.rename(place + ".new", place)


def state():
    """firmware.json, or {} where it is missing or spoiled."""
    try:
        found = json.loads(_read(STATE))
        return found if isinstance(found, dict) else {}
    except ValueError:
        return {}


def _has_program(folder):
    for name in ("program.py", "program.mpy"):
        try:
            os.stat(_here() + folder + "/" + name if folder else _here() + name)
            return True
        except OSError:
            pass
    return False


def chosen(found):
    """The folder to run, out of firmware.json; another one that holds a program where that one holds none."""
    for folder in (found.get("run", ""), found.get("before", ""), "", "a", "b"):
        if folder in ("", "a", "b") and _has_program(folder):
            return folder
    return ""


def enter():
    """Make the chosen folder the one that is imported from, without a start being counted. Returns it."""
    folder = chosen(state())
    path = _here() + folder
    if folder and path not in sys.path:
        sys.path.insert(0, path)
    return folder


def go_back(why):
    """End the trial: what ran before runs from the next start on."""
    found = state()
    _write(STATE, json.dumps({"run": found.get("before", ""), "failed": str(why)[:200]}))


def keep():
    """End the trial: what runs now is kept."""
    _write(STATE, json.dumps({"run": state().get("run", "")}))


def _on_trial():
    """Counts this start. Returns whether what is to run is on trial."""
    found = state()
    if "boots" not in found:
        return False
    boots = found["boots"] if isinstance(found["boots"], int) else 0
    if boots >= BOOTS or chosen(found) != found.get("run"):
        go_back("it was started %d times and has not reported in" % boots)
        return False
    found["boots"] = boots + 1
    _write(STATE, json.dumps(found))
    return True


def _note(error):
    """The error on flash, once: a crash that comes again and again must not wear it."""
    text = io.StringIO()
    sys.print_exception(error, text)
    text = text.getvalue()[-MAX_CRASH:]
    if text != _read(CRASH):
        try:
            _write(CRASH, text)
        except OSError:
            pass  # a full flash must not hide the error itself


def main():
    trial = _on_trial()
    enter()
    try:
        import program

        program.main(_here(), keep if trial else None)
    except Exception as error:
        _note(error)
        if not trial:
            raise  # it stands at the prompt, and the watchdog starts it again
        sys.print_exception(error)
        print("barreltide: the new firmware has failed; back to the one before")
        go_back("%s: %s" % (type(error).__name__, error))
        sys.exit()  # which on a board is a soft reset: a clean heap, and main.py again


if __name__ == "__main__":
    main()
