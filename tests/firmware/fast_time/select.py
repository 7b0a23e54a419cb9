"""`poll` whose waits are as much shorter as fast_time's clock is faster. asyncio sleeps in here."""

import time

import uselect

POLLIN, POLLOUT, POLLERR, POLLHUP = uselect.POLLIN, uselect.POLLOUT, uselect.POLLERR, uselect.POLLHUP


class poll:
    def __init__(self):
        self._poll = uselect.poll()
        self.register, self.unregister, self.modify = self._poll.register, self._poll.unregister, self._poll.modify

    def ipoll(self, timeout=-1, flags=0):
        return self._poll.ipoll(-(-timeout // time.SPEED) if timeout > 0 else timeout, flags)
