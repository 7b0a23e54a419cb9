"""Milliseconds since the start that never wrap, and their place in the calendar once that is known."""

_HALF = 1 << 29  # boards wrap ticks_ms() at 2^30; a turn may be told from a step back only below half of that


def ticks_diff(later, earlier):
    """Milliseconds from earlier to later for ticks that wrap at 2^30, as MicroPython's own ticks_diff()."""
    return ((later - earlier + _HALF) & (2 * _HALF - 1)) - _HALF


class Clock:
    """Extends a wrapping tick counter to one that only grows. now_ms() must be asked at least every six days.

    ticks_ms: function giving the counter; difference: its ticks_diff. epoch_ms(at) maps to Unix ms, None while unset.
    """

    def __init__(self, ticks_ms, difference=ticks_diff):
        self._ticks_ms = ticks_ms
        self._difference = difference
        self._last = ticks_ms()
        self._now_ms = 0
        self.offset_ms = None

    def now_ms(self):
        ticks = self._ticks_ms()
        step = self._difference(ticks, self._last)
        if step > 0:  # never backwards, whatever the counter does
            self._now_ms += step
        self._last = ticks
        return self._now_ms

    def set_epoch(self, unix_ms):
        self.offset_ms = unix_ms - self.now_ms()

    def epoch_ms(self, at_ms):
        return None if self.offset_ms is None else at_ms + self.offset_ms
