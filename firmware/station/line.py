"""Lines over USB between a wired station and its host: `@KIND CRC BODY`, with a line end before and after each.

KIND is a word, BODY is JSON on one line, CRC the CRC-32 of `KIND BODY` in eight hexadecimal digits. The same cable
carries the board's prompt, whatever the board prints, and what a plug that is pulled leaves of a line: all that is no
such line, whole and with its right CRC, is passed over. The line end before it keeps half a line from spoiling the next
one. Nothing is lost by it: a pack is sent again until its receipt has come.
"""

import binascii

MARK = b"@"


def line_of(kind, body):
    """kind: a word; body: JSON text. Returns bytes."""
    told = ("%s %s" % (kind, body)).encode()
    return b"\n@%s %08x %s\n" % (kind.encode(), binascii.crc32(told), told[len(kind) + 1 :])


def read_line(line):
    """(kind, body as bytes), or None for what is no such line."""
    parts = line.rstrip().split(b" ", 2)
    if line[:1] != MARK or len(parts) != 3:
        return None
    kind = parts[0][1:]
    if parts[1] != b"%08x" % binascii.crc32(kind + b" " + parts[2]):
        return None
    try:
        return str(kind, "utf-8"), parts[2]
    except ValueError:  # UnicodeError: of no host, though its CRC is right
        return None


class Lines:
    """Puts lines together out of what comes in pieces. longest: bytes of a line; of a longer one nothing is kept."""

    def __init__(self, longest):
        self._longest = longest
        self._rest = b""
        self._skipping = False

    def feed(self, data):
        """Returns [(kind, body), ...]."""
        found = []
        pieces = data.split(b"\n")
        for place, piece in enumerate(pieces):
            if not self._skipping:
                self._rest += piece
                if len(self._rest) > self._longest:
                    self._rest, self._skipping = b"", True
            if place < len(pieces) - 1:
                line = read_line(self._rest) if self._rest[:1] == MARK else None
                if line:
                    found.append(line)
                self._rest, self._skipping = b"", False
        return found
