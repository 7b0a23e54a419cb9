"""Wires board, station and link, and feeds the watchdog while all of them make progress; nothing else.

A firmware on trial (main.py) is kept once the host has receipted a pack of it, and gives up after TRIAL_MS without.
"""

import asyncio
import gc
import os
import sys
import time

gc.threshold(8_192)  # collect often: what is compiled next lies beside what stays, and the heap is small

import board
from station import FIRMWARE, settings
from station.backlog import Backlog
from station.clock import Clock
from station.sampler import Sampler
from station.signals import Signals

SAMPLING_HANGS_MS = 5_000
LINK_HANGS_MS = 120_000
REPEAT_MESSAGE_S = 10
TRIAL_MS = 600_000


def folder(beside):
    """Where config.json lies: in the current folder, or in `beside`."""
    for place in ("", beside):
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


def link_of(found):
    """The class that carries packs to the host. Only the one that is used costs memory."""
    if found.wired:
        from wire import Wire

        return Wire
    from link import Link

    return Link


class Station:
    """The parts of a running station, and the loops that drive them. keep: to be called once it has reported in."""

    def __init__(self, found, place, keep=None):
        self.settings = found
        self.keep = keep
        self.clock = Clock(board.ticks_ms, board.ticks_diff)
        boot = board.boot_number()
        self.probe = board.Board(found, self.health)
        self.backlog = Backlog(
            place + "backlog", boot, self.clock, found.base_name, found.flash_bytes, found.flash_after_ms
        )
        self.signals = Signals(found, self.clock)
        self.lamp, self.buzzer = board.Output(found.lamp), board.Output(found.buzzer)
        self.link = link_of(found)(found, self.backlog, self.clock, boot, board.epoch_ms, place, self.signals.hear)
        self.sampler = Sampler(found, self.clock, boot, self.probe)
        self.sampled_ms = self.began_ms = self.clock.now_ms()
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
        while watchdog or self.keep:
            now_ms = self.clock.now_ms()
            alive = now_ms - self.sampled_ms < SAMPLING_HANGS_MS and now_ms - self.link.turned_ms < LINK_HANGS_MS
            if alive and watchdog:
                watchdog.feed()
            if self.keep:
                self.try_out(now_ms)
            await asyncio.sleep_ms(1_000)

    def try_out(self, now_ms):
        if self.link.receipt_ms > self.began_ms:
            self.keep()
            self.keep = None
            print("barreltide: this firmware has reported in and is kept")
        elif now_ms - self.began_ms > TRIAL_MS:
            raise RuntimeError("no pack was receipted within %d minutes" % (TRIAL_MS // 60_000))

    async def run(self):
        await asyncio.gather(self.sample(), self.link.run(), self.watch())


def main(beside="", keep=None):
    print("barreltide: station firmware %s%s" % (FIRMWARE, ", on trial" if keep else ""))
    config = b""
    try:
        place = folder(beside)
        config = read_config(place)
        found, warnings = settings.read(config)
        for warning in warnings:
            print("barreltide: " + warning)
        station = Station(found, place, keep)
    except settings.SettingsError as error:
        if keep:
            raise  # the one before may read the same settings well
        complain(str(error), settings.led_of(config))
    gc.collect()
    asyncio.run(station.run())
