"""A float switch behind contacts that bounce and water that ripples.

A change counts once the new level has been seen for `debounce_ms`, in both directions, and is dated to the first
sample of that run: both edges are late by the same sampling step, so durations are unbiased.
"""

_UNSEEN_MS = 500  # a pause in polling longer than this is not counted as time seen


class FloatSwitch:
    """name: the reading's name; wet_level: the pin's level while the float is lifted. wet is None until settled."""

    def __init__(self, name, wet_level, debounce_ms):
        self.name = name
        self.wet = None
        self._wet_level = wet_level
        self._debounce_ms = debounce_ms
        self._since_ms = None
        self._last_ms = 0
        self._seen_ms = 0

    def undecided(self):
        return self._since_ms is not None or self.wet is None

    def poll(self, now_ms, level):
        """Take one sample; returns when the state changed (ms), or None."""
        wet = level == self._wet_level
        if wet == self.wet:
            self._since_ms = None
            return None
        if self._since_ms is None or wet != self._candidate:
            self._candidate = wet
            self._since_ms = now_ms
            self._seen_ms = 0
        else:
            self._seen_ms += min(now_ms - self._last_ms, _UNSEEN_MS)
        self._last_ms = now_ms
        if self._seen_ms < self._debounce_ms:
            return None
        since_ms, self._since_ms = self._since_ms, None
        self.wet = wet
        return since_ms
