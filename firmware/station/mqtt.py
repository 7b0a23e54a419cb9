"""MQTT 3.1.1 packets (OASIS), as bytes: what a station sends, and how it reads what comes back. No sockets here."""

import struct

CONNACK = b"\x20\x02"
PUBLISH, PUBACK, SUBACK, PINGRESP = 3, 4, 9, 13
PING = b"\xc0\x00"
REFUSALS = {
    1: "it does not speak MQTT 3.1.1",
    2: "it refuses the client id",
    3: "it is not available",
    4: "user name or password is wrong",
    5: "not authorized",
}


def _text(value):
    data = value.encode() if isinstance(value, str) else value
    return struct.pack(">H", len(data)) + data


def _packet(head, body):
    length = len(body)
    size = bytearray([head])
    while True:
        size.append(length & 0x7F | (0x80 if length > 0x7F else 0))
        length >>= 7
        if not length:
            return bytes(size) + body


def connect(client_id, keep_alive_s, will_topic, will, username, password):
    """CONNECT with a retained will at QoS 1; the session is kept, so that a receipt waits for the station."""
    flags = 0x04 | 0x08 | 0x20
    body = _text(client_id) + _text(will_topic) + _text(will)
    if username is not None:
        flags |= 0x80
        body += _text(username)
        if password is not None:
            flags |= 0x40
            body += _text(password)
    return _packet(0x10, _text("MQTT") + bytes([4, flags]) + struct.pack(">H", keep_alive_s) + body)


def publish(topic, payload, number, retain=False):
    """PUBLISH at QoS 1; number: the packet identifier, 1 to 65535."""
    data = payload.encode() if isinstance(payload, str) else payload
    return _packet(0x33 if retain else 0x32, _text(topic) + struct.pack(">H", number) + data)


def subscribe(topic, number):
    return _packet(0x82, struct.pack(">H", number) + _text(topic) + b"\x01")


def acknowledge(number):
    return struct.pack(">BBH", 0x40, 2, number)


def published(head, body):
    """An incoming PUBLISH's body -> (topic, payload, packet identifier or None at QoS 0). ValueError if malformed."""
    if len(body) < 2:
        raise ValueError("PUBLISH is too short")
    at = 2 + (body[0] << 8 | body[1])
    topic = bytes(body[2:at])
    number = None
    if head & 0x06:
        if len(body) < at + 2:
            raise ValueError("PUBLISH is too short")
        number = body[at] << 8 | body[at + 1]
        at += 2
    if len(topic) != (body[0] << 8 | body[1]):
        raise ValueError("PUBLISH is too short")
    return topic, bytes(body[at:]), number
