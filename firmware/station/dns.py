"""Just enough DNS (RFC 1035) to ask for an IPv4 address; the same question asked of a multicast group is mDNS.

A board's own getaddrinfo() may block for ten seconds while the name server is away: longer than its watchdog waits.
"""

import struct

_ADDRESS = 1
CUT_SHORT = (IndexError, ValueError, getattr(struct, "error", ValueError))  # MicroPython has no struct.error


def question(name, number):
    """The query for name's address; number: 16 bits that the answer must repeat."""
    labels = b"".join([bytes([len(label)]) + label.encode() for label in name.split(".") if label])
    return struct.pack(">HHHHHH", number, 0x0100, 1, 0, 0, 0) + labels + b"\0" + struct.pack(">HH", _ADDRESS, 1)


def _skip_name(data, at):
    while data[at]:
        if data[at] & 0xC0 == 0xC0:
            return at + 2
        at += 1 + data[at]
    return at + 1


def address(answer, number):
    """The first IPv4 address in an answer to question `number`, as text; None where there is none."""
    try:
        found, flags, questions, answers, _, _ = struct.unpack(">HHHHHH", answer[:12])
        if found != number or not flags & 0x8000:
            return None
        at = 12
        for _ in range(questions):
            at = _skip_name(answer, at) + 4
        for _ in range(answers):
            at = _skip_name(answer, at)
            kind, _, _, length = struct.unpack(">HHIH", answer[at : at + 10])
            at += 10
            if kind == _ADDRESS and length == 4 and len(answer) >= at + 4:
                return ".".join([str(byte) for byte in answer[at : at + 4]])
            at += length
    except CUT_SHORT:
        pass
    return None


def is_address(host):
    parts = host.split(".")
    return len(parts) == 4 and all([part.isdigit() and int(part) < 256 for part in parts])
