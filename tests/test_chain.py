"""From the float switch to the phone: everything between them is real, only the hardware and the water are not.

The real interpreter's firmware → a real mosquitto → `barreltide serve` → a web hook and a mail server. Nobody hands the
engine a pack: it learns the garden's cycles from what the firmware sampled, by a clock that is faster than life.
"""

from __future__ import annotations

import time

import pytest
from chain import SITE, FastBoard, FastClock, FastService
from firmware_board import config, wait_for
from test_notify import hooks, mail  # noqa: F401

from barreltide.store import Store

PERIOD_S = 180.0  # the shortest that the engine is made for


class Bed:
    """Water by the clock: a pump fills the bed to its standpipe, a siphon then drains it to its snorkel, faster."""

    STANDPIPE_M, SNORKEL_M, HIGH_M, LOW_M = 0.30, 0.04, 0.20, 0.08
    FILL_S, DRAIN_S = 0.6 * PERIOD_S, 0.4 * PERIOD_S
    PUMPING_V, RESTING_V = 12.60, 12.67  # 2 A through 35 mOhm of battery and leads

    def __init__(self, clock: FastClock, board: FastBoard) -> None:
        self.clock, self.board = clock, board
        self.level_m, self.draining, self.pumping = 0.10, False, True
        self.stopped_s: float | None = None
        self.falls: list[float] = []
        self._now_s, self._shown = clock.now(), None

    def stop_pump(self) -> None:
        self.pumping, self.stopped_s = False, self.clock.now()

    def flow(self) -> None:
        """Let the water do what it did since the last call, and show it to the board."""
        now_s, reach_m = self.clock.now(), self.STANDPIPE_M - self.SNORKEL_M
        fill_m_s, siphon_m_s = reach_m / self.FILL_S, reach_m / self.DRAIN_S + reach_m / self.FILL_S
        while self._now_s < now_s:
            step_s = min(1.0, now_s - self._now_s)
            self._now_s += step_s
            before_m = self.level_m
            self.level_m += step_s * (fill_m_s * self.pumping - siphon_m_s * self.draining)
            if before_m >= self.HIGH_M > self.level_m:
                self.falls.append(self._now_s)
            self.draining = self.level_m > self.SNORKEL_M if self.draining else self.level_m >= self.STANDPIPE_M
        volts = self.PUMPING_V if self.pumping else self.RESTING_V
        shown = (int(self.level_m < self.HIGH_M), int(self.level_m < self.LOW_M), volts)
        if shown != self._shown:
            self._shown = shown
            self.board.world(pins={25: shown[0], 26: shown[1]})
            self.board.battery_v(volts)


@pytest.fixture
def chain(tmp_path, mosquitto, hooks, mail):  # noqa: F811
    """(bed, service, hook, mailbox) of a running garden, `chain(speed)` times as fast as life."""
    made = []

    def make(speed: int):
        clock, hook = FastClock(speed), hooks()
        site = f'[broker]\nport = {mosquitto.port}\n[notify]\nurls = ["{hook.url}", "{mail.url}"]\n'
        service = FastService(tmp_path / "service", SITE + '[[station]]\nname = "barrels"\n' + site, clock).start()
        wait_for(lambda: "connected to the broker" in service.said(), 60, "the service to be connected")
        board = FastBoard(tmp_path / "board", config(mosquitto.port), clock)
        bed = Bed(clock, board)
        board.start()
        made.extend((board, service))
        return bed, service, hook, mail

    yield make
    for part in made:
        part.kill()


def run(bed: Bed, condition, what: str, garden_s: float) -> None:
    """Let the water flow until condition() holds, at most so long by the garden's clock."""
    give_up_s = bed.clock.now() + garden_s
    while not condition():
        assert bed.clock.now() < give_up_s, f"{what} did not come within {garden_s:g} s of the garden's time"
        bed.flow()
        time.sleep(0.01)


def text_of(letter) -> str:
    return f"{letter['subject']}\n{letter.get_content()}".replace("\r", "")


def cycles(service: FastService) -> list[float]:
    store = Store(service.folder / "barreltide.db")
    try:
        return [line["time"] for line in store.events("cycle", newest_first=False)]
    finally:
        store.close()


def test_a_pump_that_stops_at_night_reaches_phone_and_mailbox(chain):
    bed, service, hook, mail = chain(30)  # noqa: F811
    run(bed, lambda: len(bed.falls) >= 4, "four cycles", 6 * PERIOD_S)
    run(bed, lambda: bed.level_m > 0.12 and not bed.draining, "a bed that fills", PERIOD_S)
    assert hook.got == [] and mail.got == [], "all was well so far"
    bed.stop_pump()
    run(bed, lambda: hook.got and mail.got, "the notice on both channels", 1200 + 20 * bed.clock.speed)
    (told,) = hook.got
    number = told["message"].rpartition("\nNotice ")[2]
    name, _, since = number.rpartition("-")
    assert name == "pump-stopped-pump"
    assert float(since) == pytest.approx(bed.stopped_s, abs=30)  # a mean of the voltage takes 20 s
    assert told["title"].startswith("garden: Go now. The pump 'pump' has stopped") and told["type"] == "failure"
    assert [number in text_of(letter) and "What to do: Go and look" in text_of(letter) for letter in mail.got] == [True]
    # What the engine had counted by then is what the water had done, to within the float's debouncing and our haste.
    assert cycles(service) == pytest.approx(bed.falls, abs=6)
    assert service.end() == 0


def test_a_board_that_dies_is_a_silent_station_and_no_stopped_pump(chain):
    bed, service, hook, mail = chain(60)  # noqa: F811
    run(bed, lambda: len(cycles(service)) >= 3, "three counted cycles", 6 * PERIOD_S + 20 * bed.clock.speed)
    bed.board.kill()
    killed_s = bed.clock.now()
    wait_for(lambda: hook.got and mail.got, 60, "the notice on both channels")
    assert bed.clock.now() - killed_s > 400, "not before its time: a station may miss some packs"
    time.sleep(3 * PERIOD_S / bed.clock.speed)
    numbers = [told["message"].rpartition("\nNotice ")[2] for told in hook.got]
    assert [number.rpartition("-")[0] for number in numbers] == ["station-silent-barrels"]
    assert [numbers[0] in text_of(letter) for letter in mail.got] == [True]
    assert service.end() == 0
