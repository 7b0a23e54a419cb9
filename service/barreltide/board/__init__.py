"""A board on the bench: found on USB, given its firmware, configured, calibrated and tried out."""

from .. import Failure


class BoardError(Failure):
    """What keeps us from working with a board; the text is one line."""
