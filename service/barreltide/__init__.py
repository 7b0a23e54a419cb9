"""Watches flood-and-drain beds and the solar battery that lifts their water."""

__version__ = "0.1.0"


class Failure(Exception):
    """What keeps a command from doing its work: the text is one line, fit for the owner's eyes."""
