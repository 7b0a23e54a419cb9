"""Wi-Fi, the time and MQTT: the only file that imports `network`, `ntptime` and sockets.

The link carries packs from the backlog to the broker and receipts back. It never holds up the sampling: sockets do not
block, names are asked for without blocking, and every wait has an end. The honest exceptions are the arithmetic of a
TLS handshake (a second or two on a board) and ntptime's wait for its answer (one second).
"""

import asyncio
import binascii
import json
import random
import socket
import sys

from station import FIRMWARE, dns, mqtt

KEEP_ALIVE_S = 30
WAIT_MS = 20_000
TURN_MS = 500
BACKOFF_MS = 1_000
BACKOFF_LONGEST_MS = 60_000
STEADY_MS = 30_000
WIFI_MS = 30_000
MAX_BODY = 4_096
MAX_SKIPPED = 262_144
DNS_PORT = 53
OWN_LOOKUP = sys.platform != "linux"  # a desktop's resolver knows its own names, and no watchdog waits there
SAY_AGAIN_MS = 30_000
SYNC_AGAIN_MS = 86_400_000
SYNC_RETRY_MS = 60_000
SYNC_RETRY_LONGEST_MS = 3_600_000


class LinkError(OSError):
    """The connection is of no more use; the text says why."""


class Link:
    """run() for ever; `connected`, `turned_ms` (its last sign of life), `receipt_ms` (the host's) and `wake` are for
    the others.

    read_epoch_ms: function giving Unix ms or None while the board's clock is not set; hear: takes the payload of the
    alarms' topic where lamp or buzzer follow it, and raises ValueError for one that it cannot read.
    """

    def __init__(self, settings, backlog, clock, boot, read_epoch_ms, folder, hear=None):
        self.connected = False
        self.wake = asyncio.Event()
        self._settings = settings
        self._backlog = backlog
        self._clock = clock
        self._boot = boot
        self._read_epoch_ms = read_epoch_ms
        self._folder = folder
        self._hear = hear
        self._alarms_number = None
        self._wlan = _station_interface() if settings.ssid else None
        self._number = 0
        self._unanswered = []
        self._sync_due_ms = 0
        self._sync_wait_ms = SYNC_RETRY_MS
        self._said, self._said_ms = "", 0
        self.turned_ms = self.receipt_ms = clock.now_ms()
        self._take_time()

    async def run(self):
        wait_ms = BACKOFF_MS
        while True:
            began_ms = self._turn()
            try:
                await self._join_wifi()
                await self._keep_time()
                await self._session()
            except Exception as error:  # whatever a broker or a port comes up with, the next try may do
                self._say("%s; trying again" % _reason(error))
            self.connected = False
            if self._clock.now_ms() - began_ms > STEADY_MS + WIFI_MS:
                wait_ms = BACKOFF_MS
            await self._pause(wait_ms * (75 + random.getrandbits(6) % 51) // 100)
            wait_ms = min(wait_ms * 2, BACKOFF_LONGEST_MS)

    def signal_dbw(self):
        """The access point's strength, or None."""
        try:
            return self._wlan.status("rssi") - 30
        except Exception:  # ports differ in what status() takes
            return None

    def _turn(self):
        self.turned_ms = self._clock.now_ms()
        return self.turned_ms

    def _say(self, text):
        """The same is said again only after a while: for whoever has plugged the board in since."""
        now_ms = self._clock.now_ms()
        if text != self._said or now_ms - self._said_ms > SAY_AGAIN_MS:
            self._said, self._said_ms = text, now_ms
            print("barreltide: " + text)

    async def _pause(self, ms):
        until_ms = self._clock.now_ms() + ms
        while self._turn() < until_ms:
            await asyncio.sleep_ms(min(TURN_MS, ms))

    # Wi-Fi and names

    async def _join_wifi(self):
        if self._wlan is None or self._wlan.isconnected():
            return
        self._wlan.active(True)
        try:
            self._wlan.disconnect()
        except Exception:  # not connected, or a port without it
            pass
        self._wlan.connect(self._settings.ssid, self._settings.wifi_password)
        until_ms = self._turn() + WIFI_MS
        while not self._wlan.isconnected():
            if self._turn() > until_ms:
                raise LinkError("Wi-Fi %s does not answer within %d s" % (self._settings.ssid, WIFI_MS // 1000))
            await asyncio.sleep_ms(200)

    async def _resolve(self, host):
        """An address without a lookup that blocks, or the host itself where that does not matter."""
        if dns.is_address(host) or self._wlan is None or not OWN_LOOKUP:
            return host
        server = ("224.0.0.251", 5353) if host.endswith(".local") else (self._wlan.ifconfig()[3], DNS_PORT)
        server = socket.getaddrinfo(*server)[0][-1]
        asked = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            asked.setblocking(False)
            for _ in range(3):
                number = 1 + random.getrandbits(15)
                asked.sendto(dns.question(host, number), server)
                for _ in range(15):
                    self._turn()
                    await asyncio.sleep_ms(100)
                    try:
                        found = dns.address(asked.recv(512), number)
                    except OSError:
                        continue
                    if found:
                        return found
        finally:
            asked.close()
        raise LinkError("no address is known for %s" % host)

    # Time

    def _take_time(self):
        now_ms = self._read_epoch_ms()
        if now_ms is not None:
            self._clock.set_epoch(now_ms)

    async def _keep_time(self):
        """By NTP when it is due. What cannot be had now is asked for later: packs do without."""
        if self._clock.now_ms() < self._sync_due_ms:
            return
        self._sync_due_ms = self._turn() + self._sync_wait_ms
        self._sync_wait_ms = min(self._sync_wait_ms * 2, SYNC_RETRY_LONGEST_MS)
        try:
            import ntptime

            ntptime.host = await self._resolve(self._settings.ntp_host)
            ntptime.settime()
        except Exception as error:  # OSError; or IndexError and others from a garbled answer
            self._say("no time from %s (%s)" % (self._settings.ntp_host, _reason(error)))
            return
        self._take_time()
        self._sync_wait_ms = SYNC_RETRY_MS
        self._sync_due_ms = self._turn() + SYNC_AGAIN_MS

    # MQTT

    async def _session(self):
        reader, writer, listening = None, None, None
        self._unanswered = []
        self._broken = None
        try:
            reader, writer = await self._open()
            await self._greet(reader, writer)
            listening = asyncio.create_task(self._listen(reader))
            self.connected = True
            self._say("connected to %s" % self._settings.broker_host)
            self._backlog.reconnected()
            await self._talk(writer)
        finally:
            self.connected = False
            if listening:
                listening.cancel()
            if writer:
                writer.close()
                try:
                    await asyncio.wait_for_ms(writer.wait_closed(), 1000)
                except (OSError, asyncio.TimeoutError):
                    pass

    async def _open(self):
        settings = self._settings
        address = await self._resolve(settings.broker_host)
        self._turn()
        context = name = None
        if settings.ca_file:
            context = _tls_context(self._folder + settings.ca_file)
            name = settings.certificate_name or settings.broker_host
        opening = asyncio.open_connection(address, settings.broker_port, ssl=context, server_hostname=name)
        return await asyncio.wait_for_ms(opening, WAIT_MS)

    async def _greet(self, reader, writer):
        settings = self._settings
        self._turn()
        greeting = mqtt.connect(
            settings.site + "-" + settings.station,
            KEEP_ALIVE_S,
            settings.topic("presence"),
            '{"online": false}',
            settings.username,
            settings.password,
        )
        await self._write(writer, greeting)
        answer = await asyncio.wait_for_ms(reader.readexactly(4), WAIT_MS)
        if answer[:2] != mqtt.CONNACK:
            raise LinkError("%s does not answer as a broker does" % settings.broker_host)
        if answer[3]:
            why = mqtt.REFUSALS.get(answer[3], "code %d" % answer[3])
            raise LinkError("broker %s turns us away: %s" % (settings.broker_host, why))
        presence = json.dumps({"online": True, "boot": self._boot, "firmware": FIRMWARE})
        await self._write(writer, mqtt.subscribe(settings.topic("receipt"), self._next_number()))
        if settings.lamp or settings.buzzer:
            self._alarms_number = self._next_number()
            await self._write(writer, mqtt.subscribe(settings.alarms_topic, self._alarms_number))
        await self._write(writer, mqtt.publish(settings.topic("presence"), presence, self._next_number(), retain=True))
        self._heard_ms = self._turn()

    async def _talk(self, writer):
        """Send what is due until the connection breaks."""
        pinged_ms = self._clock.now_ms()
        while True:
            now_ms = self._turn()
            if self._broken:
                raise LinkError(self._broken)
            if self._wlan is not None and not self._wlan.isconnected():
                raise LinkError("Wi-Fi is lost")
            if now_ms - self._heard_ms > KEEP_ALIVE_S * 1500:
                raise LinkError("broker %s has fallen silent" % self._settings.broker_host)
            await self._keep_time()
            while self._unanswered:
                await self._write(writer, mqtt.acknowledge(self._unanswered.pop(0)))
            if now_ms - pinged_ms > KEEP_ALIVE_S * 500:
                pinged_ms = now_ms
                await self._write(writer, mqtt.PING)
            entry = self._backlog.due()
            if entry:
                payload = self._backlog.payload(entry)
                packet = mqtt.publish(self._settings.topic("readings"), payload, self._next_number())
                self._backlog.sent(entry)
                await self._write(writer, packet)
                continue
            try:
                await asyncio.wait_for_ms(self.wake.wait(), TURN_MS)
            except asyncio.TimeoutError:
                pass
            self.wake.clear()

    async def _write(self, writer, packet):
        writer.write(packet)
        await asyncio.wait_for_ms(writer.drain(), WAIT_MS)

    async def _listen(self, reader):
        try:
            while True:
                head, body = await _packet(reader)
                self._heard_ms = self._clock.now_ms()
                if head >> 4 == mqtt.PUBLISH:
                    self._take(*mqtt.published(head, body))
                elif head >> 4 not in (mqtt.PUBACK, mqtt.SUBACK, mqtt.PINGRESP):
                    raise LinkError("broker sent an unexpected packet 0x%02x" % head)
                elif head >> 4 == mqtt.SUBACK and body[-1:] == b"\x80":
                    if body[0] << 8 | body[1] == self._alarms_number:  # readings are worth more than a lamp
                        self._say("broker refuses the subscription to %s" % self._settings.alarms_topic)
                        continue
                    raise LinkError("broker refuses the subscription to %s" % self._settings.topic("receipt"))
        except asyncio.CancelledError:
            raise
        except Exception as error:  # whatever it is, the sender must know
            self._broken = "connection lost: %s" % _reason(error)
        self.wake.set()

    def _take(self, topic, payload, number):
        if number is not None:
            self._unanswered.append(number)
        if topic == self._settings.topic("receipt").encode():
            try:
                receipt = json.loads(payload)
                self._backlog.forget(receipt["boot"], receipt["seq"])
                self.receipt_ms = self._clock.now_ms()
            except (ValueError, KeyError, TypeError):
                self._say("a receipt that cannot be read is left unused: %s" % payload[:80])
        elif topic == self._settings.alarms_topic.encode():
            try:
                self._hear(payload)
            except ValueError as error:
                self._say("alarms that cannot be read are left unused: %s" % error)
        self.wake.set()

    def _next_number(self):
        self._number = self._number % 65535 + 1
        return self._number


async def _packet(reader):
    """(first byte, body) of the next packet; a body beyond MAX_BODY is cut there, beyond MAX_SKIPPED refused."""
    head = (await reader.readexactly(1))[0]
    length = shift = 0
    while True:
        byte = (await reader.readexactly(1))[0]
        length |= (byte & 0x7F) << shift
        shift += 7
        if byte < 0x80:
            break
        if shift > 21:
            raise LinkError("malformed length")
    if length > MAX_SKIPPED:
        raise LinkError("a packet of %d bytes" % length)
    body = await reader.readexactly(min(length, MAX_BODY)) if length else b""
    length -= len(body)
    while length > 0:
        length -= len(await reader.readexactly(min(length, MAX_BODY)))
    return head, body


def _station_interface():
    try:
        import network

        wlan = network.WLAN(network.STA_IF)
        wlan.active(True)
        return wlan
    except (ImportError, AttributeError) as error:
        print("barreltide: no Wi-Fi on this board (%s)" % error)
        return None


def _tls_context(ca_file):
    """Trusts the certificates in ca_file only, PEM or DER; the broker's name is checked."""
    import ssl

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.verify_mode = ssl.CERT_REQUIRED
    try:
        with open(ca_file, "rb") as file:
            data = file.read()
    except OSError:
        raise LinkError("broker.ca_file %s is not there" % ca_file)
    for certificate in _certificates(data):
        context.load_verify_locations(cadata=certificate)
    return context


def _certificates(data):
    """The DER certificates in a file of PEM or DER: MicroPython reads DER only."""
    begin, end = b"-----BEGIN CERTIFICATE-----", b"-----END CERTIFICATE-----"
    if begin not in data:
        return [data]
    return [binascii.a2b_base64(part.split(end)[0].strip()) for part in data.split(begin)[1:]]


def _reason(error):
    return str(error) or type(error).__name__
