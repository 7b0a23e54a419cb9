"""A board's clock for the unix port: counts from 2000 in whole numbers, is unset until NTP, and its ticks wrap at 2^30.

FAKE_TICKS: where the tick counter starts, so that a wrap comes soon. asyncio's own core counts natively (its C part
knows the port's period), so the tick functions change over only when the fake `machine` is imported, after asyncio.
"""

import os

import utime

sleep, sleep_ms, sleep_us = utime.sleep, utime.sleep_ms, utime.sleep_us
ticks_ms, ticks_us, ticks_cpu = utime.ticks_ms, utime.ticks_us, utime.ticks_cpu
ticks_add, ticks_diff = utime.ticks_add, utime.ticks_diff
_TO_2000 = 946_684_800
_PERIOD = 1 << 30
_began = utime.ticks_ms() - int(os.getenv("FAKE_TICKS") or "0")
_set = [False]


def _board_ticks_ms():
    return (utime.ticks_ms() - _began) & (_PERIOD - 1)


def _board_ticks_diff(later, earlier):
    return ((later - earlier + _PERIOD // 2) & (_PERIOD - 1)) - _PERIOD // 2


def become_a_board():
    global ticks_ms, ticks_diff
    ticks_ms, ticks_diff = _board_ticks_ms, _board_ticks_diff


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
