"""Whom a notice asks, when again, and who is next: hours, answers, ends, people who cannot be reached."""

from __future__ import annotations

import pytest

from post import ANNA, BEN, HOUR_S, NOON_S, Post

EVENING_S = NOON_S + 10.5 * HOUR_S  # 22:30


@pytest.fixture
def post(tmp_path):
    def make(*persons, **options) -> Post:
        made.append(Post(tmp_path / "post.db", persons or (ANNA, BEN), **options))
        return made[-1]

    made: list[Post] = []
    yield make
    for each in made:
        each.store.close()


def test_everybodys_channels_get_every_notice_once(post):
    here = post(ANNA, urls=["json://all.example/"])
    for priority, subject in (("urgent", "pump"), ("soon", "bed-1"), ("note", "bed-2")):
        here.tell(priority=priority, subject=subject)
        here.pass_time(6 * HOUR_S, 600)
    assert len(here.letters("1 json")) == 3, "and the urgent one, unanswered, is repeated to the people only"
    assert len(here.letters("anna 1 json")) > 3


def test_urgent_comes_again_after_twice_as_long_each_time_until_it_is_answered(post):
    here = post(ANNA)
    here.tell()
    here.pass_time(4 * HOUR_S)
    assert here.minutes("anna 1 json") == [0, 10, 30, 70, 150]
    titles = [letter.title for letter in here.letters("anna 1 json")]
    assert titles[0] == "yard: Go now. pump-stopped pump." and set(titles[1:]) == {
        "yard: Still: Go now. pump-stopped pump."}  # fmt: skip
    assert len({letter.key for letter in here.letters("anna 1 json")}) == 1, "each takes the place of the one before"
    here.answer()
    here.pass_time(3 * 24 * HOUR_S, 600)
    assert len(here.letters("anna 1 json")) == 5


def test_unanswered_for_days_it_is_told_twice_a_day(post):
    here = post(ANNA)
    here.tell()
    here.pass_time(24 * HOUR_S, 60)
    first_day = len(here.got)
    here.pass_time(3 * 24 * HOUR_S, 60)
    assert first_day == 8 and len(here.got) - first_day == 6


def test_unanswered_it_goes_to_the_next_person_who_is_told_of_the_end_too(post):
    here = post(ANNA, BEN, {"name": "cleo", "urls": ["json://cleo/"], "order": 3})
    here.tell()
    here.pass_time(30 * 60)
    assert here.minutes("anna 1 json") == [0, 10, 30]
    assert here.minutes("ben 1 json") == here.minutes("ben 2 mailto") == [20, 30]
    here.tell("cleared")
    here.pass_time(10 * HOUR_S, 600)
    for channel in ("anna 1 json", "ben 1 json", "ben 2 mailto"):
        assert here.letters(channel)[-1].title == "yard: Back to normal: pump-stopped pump."
    assert here.minutes("anna 1 json") == [0, 10, 30, 30] and here.minutes("cleo 1 json") == []


def test_an_answer_in_time_leaves_the_next_person_asleep(post):
    here = post()
    here.tell()
    here.pass_time(19 * 60)
    here.answer()
    here.pass_time(5 * HOUR_S, 60)
    here.tell("cleared")
    here.pass_time(HOUR_S)
    assert here.minutes("anna 1 json") == [0, 10, 19 + 300] and here.minutes("ben 1 json") == []


def test_two_of_the_same_order_are_asked_together(post):
    here = post(ANNA, BEN | {"order": 1})
    here.tell()
    here.pass_time()
    assert here.minutes("anna 1 json") == here.minutes("ben 1 json") == [0]


def test_who_cannot_be_reached_at_all_does_not_hold_up_the_next(post):
    here = post()
    here.dead = {"anna 1 json"}
    here.tell()
    here.pass_time(5 * 60)
    (minute,) = here.minutes("ben 1 json")
    assert 1 <= minute <= 3, "after the third try"


def test_a_person_without_any_way_is_passed_over(post):
    here = post({"name": "anna", "urls": [], "order": 1}, BEN)
    here.tell()
    here.tell(priority="soon", subject="bed-1")
    here.pass_time()
    assert len(here.letters("ben 1 json")) == 1 and len(here.told("ben 1 json")) == 2


@pytest.mark.parametrize("priority", ["soon", "note"])
def test_what_is_not_urgent_waits_for_the_morning_and_asks_only_the_first(post, priority):
    here = post(now_s=EVENING_S)
    here.tell(priority=priority, subject="bed-1")
    here.pass_time(60)
    here.tell(priority=priority, subject="bed-2")
    here.pass_time(24 * HOUR_S, 60)
    assert here.minutes("anna 1 json", EVENING_S) == [510] and here.minutes("ben 1 json") == [], "07:00"
    assert len(here.told("anna 1 json")) == 2, "and then in one message"


def test_urgent_wakes_and_brings_nothing_else(post):
    here = post(now_s=EVENING_S)
    here.tell(priority="soon", subject="bed-1")
    here.tell()
    here.pass_time(60)
    assert len(here.told("anna 1 json")) == 1 and here.minutes("anna 1 json", EVENING_S) == [0]


def test_what_is_over_before_the_morning_is_not_told(post):
    here = post(now_s=EVENING_S)
    name = here.tell(priority="soon", subject="bed-1")
    here.pass_time(60)
    here.tell("cleared", "soon", subject="bed-1")
    here.pass_time(12 * HOUR_S, 600)
    assert here.got == []
    (state,) = [row["sendings"][0]["state"] for row in here.store.notices() if row["id"] == name]
    assert state == "passed"


def test_who_was_told_of_it_is_told_that_it_is_over_in_waking_hours(post):
    here = post(now_s=NOON_S)
    here.tell(priority="soon", subject="bed-1")
    here.pass_time(11 * HOUR_S, 600)
    here.tell("cleared", "soon", subject="bed-1")
    here.pass_time(12 * HOUR_S, 600)
    assert here.minutes("anna 1 json") == [0, 19 * 60]


@pytest.mark.parametrize("answered", [True, False])
def test_the_end_of_what_somebody_has_answered_wakes_nobody(post, answered):
    here = post(now_s=EVENING_S)
    here.tell()
    here.pass_time(60)
    if answered:
        here.answer()
    here.now_s += 240
    here.tell("cleared")
    here.pass_time(24 * HOUR_S, 60)
    assert here.minutes("anna 1 json", EVENING_S) == [0, 510 if answered else 5]


@pytest.mark.parametrize(("wakes", "sleeps", "night"), [("07:00", "22:00", True), ("15:00", "06:00", False)])
def test_hours_may_go_over_midnight(post, wakes, sleeps, night):
    here = post(ANNA | {"wakes": wakes, "sleeps": sleeps}, now_s=EVENING_S)
    here.tell(priority="soon", subject="bed-1")
    here.pass_time(60)
    assert (here.got == []) is night


def test_sms_is_for_what_is_urgent_or_where_nothing_else_is_left(post):
    here = post(ANNA | {"sms": "+351912345678"}, {"name": "ben", "sms": "+351912345679", "order": 1})
    here.tell(priority="soon", subject="bed-1")
    here.pass_time(60)
    assert (here.minutes("anna sms"), here.minutes("ben sms"), here.minutes("anna 1 json")) == ([], [0], [0])
    here.tell()
    here.pass_time(60)
    assert len(here.told("anna sms")) == 1
    here.answer()
    here.dead = {"anna 1 json"}
    here.tell(priority="soon", subject="bed-2")
    here.pass_time(10 * 60)
    assert len(here.told("anna sms")) == 2, "no other way of hers works"


def test_a_clock_that_is_put_back_silences_nobody(post):
    here = post()
    here.tell()
    here.pass_time(60)
    here.now_s -= 400 * 24 * HOUR_S
    here.pass_time(60)
    assert len(here.letters("anna 1 json")) == 2 and len(here.letters("ben 1 json")) == 1


def test_an_alarm_that_comes_again_is_told_again(post):
    here = post(ANNA)
    for _ in range(2):
        here.tell()
        here.pass_time(60)
        here.tell("cleared")
        here.pass_time(60)
    changes = [letter.title.split(": ")[1].split(".")[0] for letter in here.letters("anna 1 json")]
    assert changes == ["Go now", "Back to normal", "Go now", "Back to normal"]


def silence(here, minutes: float) -> None:
    here.tell(subject="barrels", alarm="station-silent")
    here.pass_time(minutes * 60)
    here.tell("cleared", subject="barrels", alarm="station-silent")
    here.pass_time(60)


def test_a_silence_calls_people_once_it_has_lasted_and_later_where_it_comes_and_goes(post):
    here = post(ANNA, urls=["json://all.example/"])
    silence(here, 22)
    assert here.minutes("anna 1 json") == [] and here.minutes("1 json") == [0, 22], "everybody's gets every notice"
    silence(here, 82)
    assert here.minutes("anna 1 json") == []
    here.pass_time(31 * 24 * HOUR_S, 600)
    for wait in (23, 83):  # the first in a month, and the next
        begun_s = here.now_s
        silence(here, 100)
        assert here.minutes("anna 1 json", begun_s)[-1] == 100, "and its end is told"
        assert next(minute for minute in here.minutes("anna 1 json", begun_s) if minute >= 0) == wait


def test_a_silence_that_somebody_has_seen_calls_nobody(post):
    here = post(ANNA)
    here.tell(subject="barrels", alarm="station-silent")
    here.pass_time(600)
    here.answer("station-silent", "barrels")
    here.pass_time(6 * HOUR_S, 60)
    assert here.got == []


def test_a_silence_calls_at_once_while_the_battery_is_near_its_end(post):
    here = post(ANNA, now_s=EVENING_S)
    here.tell(subject="battery", alarm="battery-low")
    here.pass_time(60)
    here.answer("battery-low", "battery")
    here.now_s += 4 * HOUR_S
    here.tell(subject="barrels", alarm="station-silent")
    here.pass_time(60)
    assert here.minutes("anna 1 json", EVENING_S) == [0, 241]
    here.tell("cleared", subject="barrels", alarm="station-silent")
    here.tell()
    here.answer()
    here.pass_time(60)
    told = len(here.got)
    silence(here, 60)
    assert len(here.got) == told, "people know already that the pump stands"


def weak_night(here, answered: bool = True) -> None:
    """From 20:00 to 20:00: will not last, at its floor at 02:00, charging at 09:00."""
    battery = {"subject": "battery", "alarm": "battery-will-not-last"}
    here.tell(**battery)
    here.pass_time(300)
    if answered:
        here.answer("battery-will-not-last", "battery")
    here.pass_time(6 * HOUR_S - 300, 60)
    here.tell(subject="battery", alarm="battery-low")
    here.pass_time(300)
    if answered:
        here.answer("battery-low", "battery")
    here.pass_time(7 * HOUR_S - 300, 60)
    here.tell("cleared", subject="battery", alarm="battery-low")
    here.tell("cleared", **battery)
    here.pass_time(11 * HOUR_S, 60)


def test_the_next_nights_of_a_weak_battery_are_one_story_told_every_third_day(post):
    here = post(ANNA, BEN, now_s=NOON_S + 8 * HOUR_S)
    weak_night(here)
    first = here.minutes("anna 1 json", NOON_S)
    assert first[:2] == [8 * 60, 14 * 60], "the floor itself is worse, and of its own"
    for _ in range(7):
        weak_night(here, answered=False)
    later = [(minute // 1440, minute % 1440 // 60) for minute in here.minutes("anna 1 json", NOON_S)[len(first) :]]
    assert later == [(3, 8), (6, 8)], "once, in the evening, and not again"
    assert here.minutes("ben 1 json") == []
    here.tell()
    here.pass_time(60)
    assert here.told("anna 1 json")[-1].startswith("pump-stopped"), "a pump that stops is told in any case"


def test_a_weak_battery_that_nobody_has_answered_is_asked_about_on_and_on(post):
    here = post(ANNA, BEN, now_s=NOON_S + 8 * HOUR_S)
    weak_night(here, answered=False)
    begun_s = here.now_s
    weak_night(here, answered=False)
    assert [minute for minute in here.minutes("anna 1 json", begun_s) if 0 <= minute < 360] == [0, 60, 180]
    assert [minute for minute in here.minutes("ben 1 json", begun_s) if 0 <= minute < 360] == [120, 180, 300]
    assert len([minute for minute in here.minutes("anna 1 json", begun_s) if 360 <= minute < 480]) > 2, "at its floor"


WORDED = ANNA | {"daily_word": "07:30"}


def came_and_went(here, hours: float = 3.0) -> None:
    """What is not urgent, and another three hours, or as many, before it is back."""
    here.tell(priority="soon", subject="bed-1", alarm="siphon-not-starting")
    here.pass_time(3 * HOUR_S, 600)
    here.tell("cleared", "soon", subject="bed-1", alarm="siphon-not-starting")
    here.pass_time(hours * HOUR_S, 600)


def test_who_has_a_daily_word_learns_from_it_that_what_was_not_urgent_is_over(post):
    here = post(WORDED, BEN | {"order": 1}, urls=["json://all.example/"])
    came_and_went(here)
    kinds = {channel: [letter.kind for letter in here.letters(channel)] for channel in ("anna 1 json", "ben 1 json")}
    assert kinds == {"anna 1 json": ["warning"], "ben 1 json": ["warning", "success"]}
    assert [letter.kind for letter in here.letters("1 json")] == ["warning", "success"], "everybody's gets every notice"
    here.tell()
    here.pass_time(60)
    here.tell("cleared")
    here.pass_time(60)
    assert [letter.kind for letter in here.letters("anna 1 json")][1:] == ["failure", "success"]


@pytest.mark.parametrize("anna", [ANNA, WORDED], ids=["no word", "daily word"])
@pytest.mark.parametrize(("priority", "subject", "alarm"), [("soon", "bed-1", "siphon-not-starting"),
                                                           ("urgent", "battery", "battery-low")])  # fmt: skip
def test_what_was_shelved_is_told_each_time_it_is_back(post, anna, priority, subject, alarm):
    here = post(anna)
    for number in range(4):
        here.tell("raised", priority, subject, alarm)
        here.pass_time(60)
        assert len([letter for letter in here.letters("anna 1 json") if letter.kind != "success"]) == number + 1
        here.answer(alarm, subject)
        here.tell("cleared", priority, subject, alarm, over="Shelved for 1 hour (rain): ")
        here.pass_time(HOUR_S, 600)


def test_what_never_got_out_and_is_over_is_left_to_the_daily_word(post):
    """It would be told as if it still stood, and its end never."""
    here = post(WORDED)
    here.dead.add("anna 1 json")
    here.tell("raised", "soon", subject="bed-1", alarm="siphon-not-starting")
    here.pass_time(HOUR_S / 2)
    here.tell("cleared", "soon", subject="bed-1", alarm="siphon-not-starting")
    here.pass_time(60)
    here.dead.clear()
    here.pass_time(2 * HOUR_S)
    assert here.letters("anna 1 json") == []


def test_beside_a_daily_word_what_is_back_is_told_again_after_a_week_or_once_it_had_stayed_away(post):
    here = post(WORDED, BEN | {"order": 1})
    for _ in range(9):  # each day at noon
        came_and_went(here, 21.0)
    days = [minute // 1440 for minute in here.minutes("anna 1 json")]
    assert days == [0, 1, 8], "that it is back is news, once"
    kinds = [letter.kind for letter in here.letters("ben 1 json")]
    assert kinds == ["warning", "success"] * 4, "who has no word hears of every third day, and of its end"
    here.pass_time(24 * HOUR_S, 600)
    came_and_went(here)
    assert [minute // 1440 for minute in here.minutes("anna 1 json")] == [0, 1, 8, 10]


def test_beside_a_daily_word_a_weak_battery_is_told_once_a_week_and_its_morning_not_at_all(post):
    here = post(WORDED, now_s=NOON_S + 8 * HOUR_S)
    weak_night(here)
    for _ in range(8):
        weak_night(here, answered=False)
    days = [round(minute / 1440, 1) for minute in here.minutes("anna 1 json", NOON_S)]
    assert days == [0.3, 0.6, 7.8], "will not last, at its floor; and a week later"
    assert {letter.kind for letter in here.letters("anna 1 json")} == {"failure"}
    here.pass_time(48 * HOUR_S, 600)
    told = len(here.got)
    weak_night(here)
    assert len(here.got) == told + 2, "after two good nights it is another story"


def test_the_morning_of_a_weak_battery_that_nobody_has_answered_for_is_told(post):
    here = post(WORDED, now_s=NOON_S + 8 * HOUR_S)
    weak_night(here, answered=False)
    assert here.letters("anna 1 json")[-1].kind == "success"


def test_a_weak_battery_that_stands_for_days_and_is_back_the_next_night_goes_on(post):
    here = post(ANNA)
    battery = {"subject": "battery", "alarm": "battery-low"}
    here.tell(**battery)
    here.pass_time(60)
    here.answer("battery-low", "battery")
    here.pass_time(5 * 24 * HOUR_S, 600)
    here.tell("cleared", **battery)
    here.pass_time(12 * HOUR_S, 600)
    told = len(here.got)
    here.tell(**battery)
    here.pass_time(12 * HOUR_S, 600)
    assert len(here.got) == told + 1, "told, as days have gone by, and not again"


def test_what_is_not_urgent_is_told_a_few_times_an_hour_at_the_most(post):
    here = post(ANNA, urls=["json://all.example/"])
    for number in range(60):
        here.tell(priority="soon", subject=f"bed-{number}")
        here.pass_time(60)
    for channel in ("anna 1 json", "1 json"):
        assert 5 <= len(here.letters(channel)) <= 7
    here.pass_time(2 * HOUR_S, 60)
    assert len(here.told("anna 1 json")) == 60 and len(here.letters("anna 1 json")) <= 8


def test_a_chattering_alarm_is_no_flood(post):
    here = post(ANNA)
    for _ in range(120):
        here.tell()
        here.pass_time(15, 5)
        here.tell("cleared")
        here.pass_time(15, 5)
    assert 6 <= len(here.got) <= 13
    here.pass_time(2 * HOUR_S, 60)
    assert len(here.told("anna 1 json")) == 240 and len(here.got) <= 14
    assert here.letters("anna 1 json")[-1].title.startswith("yard: Back to normal"), "the end of it is told"
