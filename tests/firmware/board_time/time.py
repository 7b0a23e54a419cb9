"""A board's clock for the unix port: counts from 2000 in whole numbers, is unset until NTP, and its ticks wrap at 2^30.

FAKE_TICKS: where the tick counter starts, so that a wrap comes soon.
"""

import os

import utime

sleep, sleep_ms, sleep_us = utime.sleep, utime.sleep_ms, utime.sleep_us
ticks_us, ticks_cpu = utime.ticks_us, utime.ticks_cpu
_TO_2000 = 946_684_800
_PERIOD = 1 << 30
_began = utime.ticks_ms() - int(os.getenv("FAKE_TICKS") or "0")
_set = [False]


def ticks_ms():
    return (utime.ticks_ms() - _began) & (_PERIOD - 1)


def ticks_add(ticks, delta):
    return (ticks + delta) & (_PERIOD - 1)


def ticks_diff(later, earlier):
    return ((later - earlier + _PERIOD // 2) & (_PERIOD - 1)) - _PERIOD // 2


def time_ns():
    unix_ns = utime.time_ns() if _set[0] else (utime.ticks_ms() - _began) * 1_000_000 + _TO_2000 * 1_000_000_000
    return unix_ns - _TO_2000 * 1_000_000_000


def time():
    return time_ns() // 1_000_000_000


def gmtime(seconds=None):
    return utime.gmtime((time() if seconds is None else seconds) + _TO_2000)


localtime = gmtime


def set_by_ntp():
    _set[0] = True
