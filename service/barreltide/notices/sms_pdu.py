"""A short message as a modem takes it: text to the octets of 3GPP TS 23.040, and the network's report on it back.

Pure. Where every character is in the alphabet of TS 23.038, a part holds 160 of them (153 where there are several
parts), else 70 (67) in UCS-2. A few marks that a phone reads as well without are made plain first, so that one dash
does not halve the room. Parts carry a header (9.2.3.24.1) by which the phone puts them together again.
"""

from __future__ import annotations

from typing import NamedTuple

# TS 23.038, 6.2.1: the place in the table is the code. 0x1B leads to the extension (6.2.1.1).
ALPHABET = (
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞ\x1bÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
EXTENSION = {"\f": 10, "^": 20, "{": 40, "}": 41, "\\": 47, "[": 60, "~": 61, "]": 62, "|": 64, "€": 101}
PLAIN = str.maketrans({
    "…": "...", "–": "-", "—": "-", "’": "'", "‘": "'", "“": '"', "”": '"', "°": " ", "·": "-", "×": "x", "\u00a0": " ",
})  # fmt: skip
SEPTETS, SEPTETS_IN_PARTS = 160, 153
UNITS, UNITS_IN_PARTS = 70, 67
VALIDITY = 167  # 9.2.3.12.1: a day; a later warning would only mislead
ASK_FOR_REPORT = 0x20
HAS_HEADER = 0x40


class Report(NamedTuple):
    """What the network says of a message. reference: that of the sending; status: TP-Status (9.2.3.15)."""

    reference: int
    status: int

    @property
    def is_delivered(self) -> bool:
        return self.status in (0, 1, 2)

    @property
    def is_final(self) -> bool:
        """False while the network still tries."""
        return not 0x20 <= self.status < 0x40


def parts(text: str, most: int) -> list[str]:
    """The text cut to at most so many messages; the last ends in dots where something was left out."""
    text = text.translate(PLAIN)
    pieces = _split(text, False)
    if len(pieces) <= 1:
        return pieces or [""]
    pieces = _split(text, True)
    if len(pieces) > most:
        kept = "".join(pieces[:most])
        while len(_split(kept.rstrip() + "...", True)) > most:
            kept = kept[:-1]
        pieces = _split(kept.rstrip() + "...", True)
    return pieces if len(pieces) > 1 else _split("".join(pieces), False)


def _split(text: str, with_header: bool) -> list[str]:
    """The text in pieces of one message each; a character is never torn apart."""
    plain = is_plain(text)
    room = (SEPTETS_IN_PARTS if with_header else SEPTETS) if plain else (UNITS_IN_PARTS if with_header else UNITS)
    pieces, piece, used = [], "", 0
    for character in text:
        size = (1 + (character in EXTENSION)) if plain else 1 + (ord(character) > 0xFFFF)
        if used + size > room:
            pieces.append(piece)
            piece, used = "", 0
        piece, used = piece + character, used + size
    return pieces + ([piece] if piece else [])


def is_plain(text: str) -> bool:
    return all(character in EXTENSION or (character in ALPHABET and character != "\x1b") for character in text)


def submit(number: str, pieces: list[str], reference: int) -> list[tuple[int, str]]:
    """(length, hexadecimal) of each part as +CMGS takes them (TS 27.005, 4.3). number: +, country, and the rest;
    reference: 0 to 255, the same for the parts of one message."""
    plain = is_plain("".join(pieces))
    return [_submit(number, piece, plain, header) for piece, header in zip(pieces, _headers(pieces, reference))]  # noqa: B905


def _headers(pieces: list[str], reference: int) -> list[bytes]:
    if len(pieces) == 1:
        return [b""]
    return [bytes([5, 0, 3, reference & 0xFF, len(pieces), place]) for place in range(1, len(pieces) + 1)]


def _submit(number: str, piece: str, plain: bool, header: bytes) -> tuple[int, str]:
    digits = number.lstrip("+")
    swapped = bytes.fromhex("".join(b + a for a, b in zip(digits[::2], (digits + "F")[1::2], strict=False)))
    if plain:
        septets = _septets(piece)
        gap = -len(header) * 8 % 7  # 9.2.3.24: the text goes on at the next septet's boundary
        data, length = header + _packed(septets, gap), (len(header) * 8 + gap) // 7 + len(septets)
    else:
        data = header + piece.encode("utf-16-be")
        length = len(data)
    first = 0x01 | 0x10 | ASK_FOR_REPORT | (HAS_HEADER if header else 0)  # SMS-SUBMIT, relative validity
    head = bytes([first, 0, len(digits), 0x91]) + swapped + bytes([0, 0x00 if plain else 0x08, VALIDITY, length])
    octets = head + data
    return len(octets), "00" + octets.hex().upper()  # 00: the service centre that the SIM knows


def _septets(text: str) -> list[int]:
    found: list[int] = []
    for character in text:
        found += [0x1B, EXTENSION[character]] if character in EXTENSION else [ALPHABET.index(character)]
    return found


def _packed(septets: list[int], gap: int) -> bytes:
    bits = sum(septet << (7 * place + gap) for place, septet in enumerate(septets))
    return bits.to_bytes((7 * len(septets) + gap + 7) // 8, "little")


def read_report(length: int, hexadecimal: str) -> Report | None:
    """A status report (9.2.2.3) as +CDS brings it; length: its octets without the service centre's address."""
    try:
        octets = bytes.fromhex(hexadecimal.strip())
        octets = octets[len(octets) - length :] if 0 < length <= len(octets) else octets
        if octets[0] & 0x03 != 0x02:
            return None
        after_address = 4 + (octets[2] + 1) // 2  # first octet, reference, digits, type of number
        return Report(octets[1], octets[after_address + 14])  # two time stamps of seven octets
    except (ValueError, IndexError):
        return None
