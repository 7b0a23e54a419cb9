"""Watches flood-and-drain beds and the solar battery that lifts their water."""

__version__ = "0.1.0"
