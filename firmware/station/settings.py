"""config.json: read once, checked whole, every default in one place.

A wrong key or value is one line that names the key, what was found and what would do. Unknown keys are warnings.
"""

import json

_MUST = object()
_NAME_LETTERS = "abcdefghijklmnopqrstuvwxyz0123456789"
MAX_CONFIG_BYTES = 8_192


class SettingsError(ValueError):
    """One clear line for the person at the USB cable."""


def _wrong(where, found, wanted):
    return SettingsError("config.json: %s is %s: give %s" % (where, found, wanted))


class _Table:
    """One JSON object while it is read: hands out checked values and remembers what was asked for."""

    def __init__(self, where, values):
        if not isinstance(values, dict):
            shown = "(not shown)" if where in ("wifi", "broker") else _shown(values)  # passwords belong in there
            raise _wrong(where or "the file", shown, "an object: {...}")
        self.where = where
        self.values = values
        self.asked = set()

    def path(self, key):
        return self.where + "." + key if self.where else key

    def get(self, key, default, wanted):
        self.asked.add(key)
        value = self.values.get(key)
        if value is not None:
            return value
        if default is _MUST:
            raise _wrong(self.path(key), "missing", wanted)
        return None

    def number(self, key, low, high, default=_MUST):
        wanted = "a number from %s to %s" % (low, high)
        value = self.get(key, default, wanted)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
            raise _wrong(self.path(key), _shown(value), wanted)
        return value

    def whole(self, key, low, high, default=_MUST):
        value = self.number(key, low, high, default)
        if value is not None and value != int(value):
            raise _wrong(self.path(key), _shown(value), "a whole number from %s to %s" % (low, high))
        return value

    def text(self, key, wanted, default=_MUST, longest=128, secret=False):
        value = self.get(key, default, wanted)
        if value is None:
            return default
        if not isinstance(value, str) or not 0 < len(value) <= longest:
            shown = "(not shown)" if secret else _shown(value)
            raise _wrong(self.path(key), shown, "%s, 1 to %d characters in quotes" % (wanted, longest))
        return value

    def flag(self, key):
        value = self.get(key, None, "true or false")
        if value not in (None, True, False):
            raise _wrong(self.path(key), _shown(value), "true or false")
        return bool(value)

    def choice(self, key, choices, default=_MUST):
        wanted = "one of " + ", ".join(choices)
        value = self.get(key, default, wanted)
        if value is None:
            return default
        if value not in choices:
            raise _wrong(self.path(key), _shown(value), wanted)
        return value

    def table(self, key, default=None, wanted="an object: {...}"):
        value = self.get(key, default, wanted)
        return None if value is None else _Table(self.path(key), value)

    def pin(self, key="pin", default=_MUST):
        value = self.get(key, default, "the pin's number")
        if isinstance(value, str) and 0 < len(value) <= 16:
            return value
        return self.whole(key, 0, 99, default)

    def unknown(self):
        return [self.path(key) for key in self.values if key not in self.asked]


def _shown(value):
    return json.dumps(value)[:60]


def _is_name(value):
    return (
        isinstance(value, str)
        and 0 < len(value) <= 32
        and value[0] in _NAME_LETTERS
        and all([letter in _NAME_LETTERS + "-" for letter in value])
    )


def _name(table, key):
    wanted = 'a name of a-z, 0-9 and -, up to 32, such as "barrels"'
    value = table.get(key, _MUST, wanted)
    if not _is_name(value):
        raise _wrong(table.path(key), _shown(value), wanted)
    return value


class Settings:
    """What config.json says, checked, with defaults filled in; times in ms. Attributes are set by read()."""

    @property
    def alarms_topic(self):
        return "%s/%s/alarms" % (self.root, self.site)

    def topic(self, kind):
        return "%s/%s/%s/%s" % (self.root, self.site, self.station, kind)

    @property
    def base_name(self):
        return "%s/%s/" % (self.site, self.station)


def read(data):
    """config.json's text, or its bytes -> (Settings, list of warnings). Raises SettingsError."""
    try:
        text = data if isinstance(data, str) else str(data, "utf-8")
    except ValueError:
        raise SettingsError("config.json is not UTF-8 text: save it as UTF-8")
    try:
        values = json.loads(text[1:] if text[:1] == "\ufeff" else text)  # some editors put a mark before the text
    except ValueError as error:
        raise SettingsError(
            "config.json is no valid JSON (%s): look for a missing comma, quote or bracket" % (error or "syntax error")
        )
    top = _Table("", values)
    settings = Settings()
    tables = [top]
    settings.site = _name(top, "site")
    settings.station = _name(top, "station")
    _read_network(settings, top, tables)
    _read_battery(settings, top, tables)
    _read_currents(settings, top, tables)
    _read_floats(settings, top, tables)
    _read_thermometers(settings, top, tables)
    _read_signals(settings, top, tables)
    _read_rhythm(settings, top)
    _refuse_shared_pins(settings)
    unknown = [path for table in tables for path in table.unknown()]
    return settings, ["config.json: %s is not a key known here: it is left unused" % path for path in unknown]


def led_of(data):
    """The lamp's pin out of a config.json that may be wrong elsewhere, or None."""
    try:
        led = json.loads(data)["led"]
        return led if isinstance(led, (int, str)) else None
    except (ValueError, KeyError, TypeError):
        return None


def _read_network(settings, top, tables):
    settings.wired = top.flag("wired")  # by USB to the host: then Wi-Fi and broker are left unused
    wifi = top.table("wifi")
    settings.ssid = settings.wifi_password = None
    if wifi:
        tables.append(wifi)
        settings.ssid = wifi.text("ssid", "the network's name", longest=32)
        settings.wifi_password = wifi.text("password", "the network's password", None, secret=True)
    broker = top.table("broker", None if settings.wired else _MUST, 'an object such as {"host": "192.168.1.10"}')
    broker = broker or _Table("broker", {})
    tables.append(broker)
    host = 'the broker\'s name or address, such as "192.168.1.10"'
    settings.broker_host = broker.text("host", host, None if settings.wired else _MUST)
    settings.username = broker.text("username", "the station's user name at the broker", None)
    settings.password = broker.text("password", "the station's password at the broker", None, 256, secret=True)
    settings.ca_file = broker.text("ca_file", "the file with the authority's certificate", None)
    settings.certificate_name = broker.text("certificate_name", "the name in the broker's certificate", None)
    settings.broker_port = broker.whole("port", 1, 65535, 8883 if settings.ca_file else 1883)
    settings.root = broker.text("root", "the first word of every topic", "barreltide", 64)
    if any([letter in settings.root for letter in "+#$ "]):
        raise _wrong("broker.root", _shown(settings.root), "words without + # $ or spaces")
    settings.ntp_host = top.text("ntp_host", "a time server's name", "pool.ntp.org")


def _read_battery(settings, top, tables):
    battery = top.table("battery")
    settings.battery = None
    if not battery:
        return
    tables.append(battery)
    found = {
        "adc": battery.choice("adc", ("internal", "ads1115"), "internal"),
        "scale": battery.number("scale", 0.1, 1000),
        "offset_v": battery.number("offset_v", -10, 10, 0.0),
        "calibration": _calibration(battery),
    }
    battery.get("points", None, "")  # what the scale rests on: for whoever calibrates again
    if found["adc"] == "internal":
        found["pin"] = battery.pin()
        found["reference_v"] = battery.number("reference_v", 0.5, 5.5, 3.3)
    else:
        _read_bus(battery, found, 72)
        found["channel"] = battery.whole("channel", 0, 3, 0)
    settings.battery = found


def _calibration(battery):
    wanted = "two pairs of volts, [[shown, true], [shown, true]], at least 0.5 V apart"
    value = battery.get("calibration", None, wanted)
    if value is None:
        return None
    try:
        (shown_1, true_1), (shown_2, true_2) = value
        good = abs(shown_1 - shown_2) >= 0.5 and 0.5 < (true_2 - true_1) / (shown_2 - shown_1) < 2
    except (TypeError, ValueError):
        good = False
    if not good:
        raise _wrong(battery.path("calibration"), _shown(value), wanted)
    return value


def _read_bus(table, found, address):
    found["scl"] = table.pin("scl")
    found["sda"] = table.pin("sda")
    found["address"] = table.whole("address", 8, 119, address)


def _read_currents(settings, top, tables):
    settings.currents = []
    currents = top.table("current")
    if not currents:
        return
    for name in currents.values:
        if not _is_name(name) or len(settings.currents) == 4:
            wanted = 'up to four, such as "pump", "panel"'
            raise _wrong("current.%s" % name[:40], "no name of a pump, or the fifth", wanted)
        sensor = currents.table(name, _MUST)
        tables.append(sensor)
        found = {
            "name": name + "/current",
            "chip": sensor.choice("chip", ("ina219", "ina226")),
            "shunt_ohm": sensor.number("shunt_ohm", 0.00005, 10, 0.1),
            "scale": sensor.number("scale", -100, 100, 1.0),
        }
        _read_bus(sensor, found, 64)
        settings.currents.append(found)


def _read_floats(settings, top, tables):
    settings.floats = []
    debounce_s = top.number("debounce_s", 0.2, 30, 2)
    beds = top.table("beds")
    places = []
    if beds:
        for name in sorted(beds.values):
            if not _is_name(name) or len(places) == 4:
                raise _wrong("beds.%s" % name[:40], "no good name, or the fifth bed", 'up to four, such as "bed-1"')
            bed = beds.table(name, _MUST)
            places.append((name, bed, ("high", "low")))
    sump = top.table("sump")
    if sump:
        places.append(("sump", sump, ("low",)))
    for name, place, marks in places:
        tables.append(place)
        for mark in marks:
            switch = place.table(mark)
            if not switch:
                continue
            tables.append(switch)
            settings.floats.append(
                {
                    "name": name + "/" + mark,
                    "key": switch.path("pin"),
                    "pin": switch.pin(),
                    "wet": switch.whole("wet", 0, 1, 0),
                    "debounce_ms": int(switch.number("debounce_s", 0.2, 30, debounce_s) * 1000),
                }
            )


def _read_thermometers(settings, top, tables):
    settings.thermometers = []
    for key, name in (("water", "water/temperature"), ("battery_temperature", "battery/temperature")):
        table = top.table(key)
        if not table:
            continue
        tables.append(table)
        rom = table.text("rom", "the sensor's address, 16 hexadecimal digits", None, 16)
        if rom and (len(rom) != 16 or not all([letter in "0123456789abcdef" for letter in rom.lower()])):
            raise _wrong(table.path("rom"), _shown(rom), "the sensor's address, 16 hexadecimal digits")
        found = {"name": name, "key": table.path("pin"), "pin": table.pin(), "rom": rom and rom.lower()}
        settings.thermometers.append(found)


def _read_signals(settings, top, tables):
    """Lamp and buzzer: outputs, None where there is none; on: the pin's level while it shines or sounds."""
    for key in ("lamp", "buzzer"):
        table = top.table(key)
        found = None
        if table:
            tables.append(table)
            found = {"key": table.path("pin"), "pin": table.pin(), "on": table.whole("on", 0, 1, 1)}
        setattr(settings, key, found)
    settings.host_silent_ms = int(top.number("host_silent_s", 60, 86_400, 600) * 1000)
    settings.still_ms = int(top.number("still_s", 0, 86_400, 1800) * 1000)


def _read_rhythm(settings, top):
    settings.sample_ms = int(top.number("sample_s", 1, 300, 5) * 1000)
    settings.publish_ms = int(top.number("publish_s", 1, 300, 15) * 1000)
    settings.repeat_ms = int(top.number("repeat_s", 10, 3600, 300) * 1000)
    settings.temperature_ms = int(top.number("temperature_s", 2, 3600, 60) * 1000)
    settings.poll_ms = top.whole("poll_ms", 20, 100, 50)
    settings.flash_bytes = top.whole("flash_bytes", 32_768, 16_777_216, 524_288)
    settings.flash_after_ms = int(top.number("flash_after_s", 0, 600, 3) * 1000)
    settings.watchdog_ms = int(top.number("watchdog_s", 2, 8.3, 8) * 1000)
    settings.led = top.pin("led", None)
    settings.analogue = ["battery/voltage"] if settings.battery else []
    settings.analogue += [sensor["name"] for sensor in settings.currents]


def _refuse_shared_pins(settings):
    taken = {}
    uses = [(switch["pin"], switch["name"]) for switch in settings.floats]
    uses += [(pin, "1-wire") for pin in sorted({t["pin"] for t in settings.thermometers})]
    if settings.battery and "pin" in settings.battery:
        uses.append((settings.battery["pin"], "battery"))
    uses += [(output["pin"], name) for name, output in (("lamp", settings.lamp), ("buzzer", settings.buzzer)) if output]
    buses = settings.currents + ([settings.battery] if settings.battery and "scl" in settings.battery else [])
    uses += sorted({(sensor[wire], wire) for sensor in buses for wire in ("scl", "sda")})
    for pin, use in uses:
        if pin in taken:
            both = "%s and to %s" % (taken[pin], use)
            raise SettingsError("config.json: pin %s is given to %s: give each its own" % (pin, both))
        taken[pin] = use
