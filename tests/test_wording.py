"""What a phone shows: one notice, a notice again, and all that has waited as one message."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from barreltide.core.event import AlarmChanged
from barreltide.notices import wording

NIGHT_S = 1_790_000_000.0
LISBON = ZoneInfo("Europe/Lisbon")


def alarm(message: str, change: str = "raised", priority: str = "urgent") -> AlarmChanged:
    # 2026-09-21 14:13:20 UTC, an hour later by Lisbon's summer clock.
    return AlarmChanged(NIGHT_S, NIGHT_S - 900, "pump-stopped", "pump", change, priority, message)


@pytest.mark.parametrize("told_in_message", ["", " The fish have air for some hours. See whether the inlet is clear."])
def test_a_notice_says_first_what_happened_then_what_it_means_and_what_to_do(told_in_message):
    title, body = wording.compose(
        alarm(f"The pump stands still at 12.31 V. Both beds are overdue.{told_in_message}"),
        "quince-yard", "Europe/Lisbon",
        "The fish have air for some hours.", "See whether the inlet is clear.",
    )  # fmt: skip
    assert title == "quince-yard: Go now. The pump stands still at 12.31 V."
    assert body.split("\n") == [
        "Both beds are overdue.",
        "The fish have air for some hours.",
        "What to do: See whether the inlet is clear.",
        "Since Mon 14:58, told Mon 15:13.",
    ]


def test_a_notice_that_it_is_over_calls_nobody():
    title, body = wording.compose(
        alarm("Back to normal: the pump stood still.", "cleared"), "quince-yard", "Europe/Lisbon", "x?", "y?"
    )
    assert title == "quince-yard: Back to normal: the pump stood still."
    assert body == "Since Mon 14:58, told Mon 15:13."


def test_a_long_message_is_cut_in_the_title_and_kept_in_the_body():
    message = "The pump stands still " + "and still " * 40
    title, body = wording.compose(alarm(message, priority="soon"), "quince-yard", "Europe/Lisbon")
    assert title.startswith("quince-yard: Today. The pump stands still") and len(title) == 120 and title.endswith("…")
    assert body.startswith(message.strip()[:400])
    assert len(wording.compose(alarm("endless " * 1000), "quince-yard", "Europe/Lisbon")[1]) < 700


def row(notice: str, hour: float, change: str = "raised", priority: str = "urgent", told: int = 0, subject="pump"):
    call = {"urgent": "Go now. ", "soon": "Today. "}[priority] if change == "raised" else ""
    what = f"{'Back to normal: ' if change == 'cleared' else ''}{subject} stands still."
    return {
        "notice": notice, "alarm": "pump-stopped", "subject": subject, "priority": priority, "change": change,
        "told": told, "created_s": NIGHT_S + hour * 3600, "title": f"yard: {call}{what}", "body": f"Body of {notice}.",
    }  # fmt: skip


def test_one_notice_goes_as_it_is():
    letter = wording.letter([row("a", 0)], "yard", LISBON)
    assert letter == ("yard: Go now. pump stands still.", "Body of a.\nNotice a", "urgent", "failure",
                      "pump-stopped-pump", ("a",))  # fmt: skip
    over = wording.letter([row("b", 1, "cleared")], "yard", LISBON)
    assert (over.title, over.kind, over.key) == ("yard: Back to normal: pump stands still.", "success", letter.key)


def test_a_notice_again_says_so():
    letter = wording.letter([row("a", 0, told=2)], "yard", LISBON, "Answer: http://here/")
    assert letter.title == "yard: Still: Go now. pump stands still."
    assert letter.body.split("\n")[1:] == [
        "Told 2 times so far, and nobody has answered.", "Answer: http://here/", "Notice a"]  # fmt: skip


def test_what_has_waited_is_one_message_with_the_times_in_it():
    rows = [
        row("a", 0), row("b", 0.5, priority="soon", subject="mint"), row("c", 2, "cleared"), row("d", 3),
        row("e", 4, "cleared", "soon", subject="mint"),
    ]  # fmt: skip
    letter = wording.letter(rows, "yard", LISBON)
    assert letter.title == "yard: Go now. pump stands still. And 1 more."
    assert letter.body.split("\n") == [
        "Body of d.", "", "In order:",
        "Mon 15:13 to Mon 17:13, Mon 18:13: Go now. pump stands still.",
        "Mon 15:43 to Mon 19:13: Today. mint stands still.",
        "5 notices up to e",
    ]  # fmt: skip
    assert letter.notices == ("a", "b", "c", "d", "e") and letter.kind == "failure"


def test_what_came_and_went_calls_nobody():
    letter = wording.letter([row("a", 0), row("c", 2, "cleared")], "yard", LISBON)
    assert letter.title == "yard: Back to normal: pump stands still." and letter.kind == "success"
    assert "Mon 15:13 to Mon 17:13: Go now. pump stands still." in letter.body


def test_a_flood_becomes_a_short_message():
    rows = [
        row(f"n{hour}", hour / 10, subject=f"bed-{hour}", priority="soon" if hour else "urgent") for hour in range(40)
    ]
    rows += [row(f"f{n}", 5 + n / 60, "cleared" if n % 2 else "raised", subject="flap") for n in range(200)]
    letter = wording.letter(rows, "yard", LISBON)
    lines = letter.body.split("\n")
    assert len(lines) < 20 and len(letter.body) < 3000 and "and 28 more, on the status page." in lines
    assert letter.title.endswith(" And 40 more.") and len(letter.title) <= 120
    assert any(line.endswith("bed-0 stands still.") for line in lines) or "bed-0" in letter.title, "the urgent stay"
