"""Wires board, station and link, and feeds the watchdog while all of them make progress; nothing else."""

import asyncio
import gc
import os
import sys
import time

gc.threshold(8_192)  # collect often: what is compiled next lies beside what stays, and the heap is small

import board
from link import Link
from station import FIRMWARE, settings
from station.backlog import Backlog
from station.clock import Clock
from station.sampler import Sampler
from station.signals import Signals

SAMPLING_HANGS_MS = 5_000
LINK_HANGS_MS = 120_000
REPEAT_MESSAGE_S = 10


def folder():
    """Where config.json lies, with a slash at its end: here, or beside this file."""
    file = globals().get("__file__", "")
    here = file[: file.rfind("/") + 1]
    for place in ("", here):
        try:
            open(place + "config.json").close()
            return place
        except OSError:
            pass
    raise settings.SettingsError("config.json is missing: copy config.example.json to it and put in your own names")


def read_config(place):
    if os.stat(place + "config.json")[6] > settings.MAX_CONFIG_BYTES:
        raise settings.SettingsError("config.json is over %d bytes: give the settings only" % settings.MAX_CONFIG_BYTES)
    with open(place + "config.json", "rb") as file:
        return file.read()


def complain(message, led):
    """For ever: the message on USB, and three short blinks. No watchdog, so no boot loop."""
    lamp = board.Lamp(led)
    while True:
        print("barreltide: " + message)
        for _ in range(REPEAT_MESSAGE_S // 2):
            for lit in (1, 0, 1, 0, 1, 0):
                lamp.put(lit)
                time.sleep_ms(150)
            time.sleep_ms(1_100)


class Station:
    """The parts of a running station, and the loops that drive them."""

    def __init__(self, found, place):
        self.settings = found
        self.clock = Clock(board.ticks_ms, board.ticks_diff)
        boot = board.boot_number()
        self.probe = board.Board(found, self.health)
        self.backlog = Backlog(
            place + "backlog", boot, self.clock, found.base_name, found.flash_bytes, found.flash_after_ms
        )
        self.signals = Signals(found, self.clock)
        self.lamp, self.buzzer = board.Output(found.lamp), board.Output(found.buzzer)
        self.link = Link(found, self.backlog, self.clock, boot, board.epoch_ms, place, self.signals.hear)
        self.sampler = Sampler(found, self.clock, boot, self.probe)
        self.sampled_ms = self.clock.now_ms()
        self.said = ""

    def health(self):
        told = {"station/dropped": self.backlog.dropped, "station/undated": self.backlog.undated}
        signal = self.link.signal_dbw()
        if signal is not None:
            told["station/signal"] = signal
        return told

    def sample_once(self):
        packs = self.sampler.poll(self.backlog.away())
        for pack in packs:
            self.backlog.add(pack)
        lit, sounding = self.signals.poll(self.link.receipt_ms, self.sampler.moved_ms)
        self.lamp.put(lit)
        self.buzzer.put(sounding)
        self.backlog.keep(self.link.connected)
        if packs:
            self.link.wake.set()
            gc.collect()
        self.sampled_ms = self.clock.now_ms()

    async def sample(self):
        while True:
            try:
                self.sample_once()
            except Exception as error:  # not fed by sampled_ms, the watchdog ends it if it lasts
                if str(error) != self.said:
                    self.said = str(error)
                    sys.print_exception(error)
            await asyncio.sleep_ms(self.settings.poll_ms)

    async def watch(self):
        watchdog = board.start_watchdog(self.settings.watchdog_ms)
        while watchdog:
            now_ms = self.clock.now_ms()
            if now_ms - self.sampled_ms < SAMPLING_HANGS_MS and now_ms - self.link.turned_ms < LINK_HANGS_MS:
                watchdog.feed()
            await asyncio.sleep_ms(1_000)

    async def run(self):
        await asyncio.gather(self.sample(), self.link.run(), self.watch())


def main():
    print("barreltide: station firmware %s" % FIRMWARE)
    config = b""
    try:
        place = folder()
        config = read_config(place)
        found, warnings = settings.read(config)
        for warning in warnings:
            print("barreltide: " + warning)
        station = Station(found, place)
    except settings.SettingsError as error:
        complain(str(error), settings.led_of(config))
    gc.collect()
    asyncio.run(station.run())


if __name__ == "__main__":
    main()
