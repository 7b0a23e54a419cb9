"""The site file: one garden, told once, in TOML.

`load` answers with a `Site` or with one clear line that names the key, what was found and what would do. Everything
but a handful of keys has a default; what a default cannot know (a height nobody measured) is None.
"""

from __future__ import annotations

import difflib
import tomllib
import zoneinfo
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, ValidationError, field_validator, model_validator

from . import Failure
from .core.alarm_table import TABLE

Name = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,31}$")]
Text = Annotated[str, Field(min_length=1, max_length=512)]
Port = Annotated[int, Field(ge=1, le=65535)]
Metres = Annotated[float, Field(ge=0, le=5)]
Temperature = Annotated[float, Field(ge=-5, le=50)]
Hour = Annotated[str, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]
Url = Annotated[str, Field(min_length=1, max_length=2048)]


class SiteError(Failure):
    """The site file is wrong: the text is one line, fit for the owner's eyes."""


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class Place(_Table):
    """[site] Where the garden is; degrees north and east, height above the sea, and the name of its time zone."""

    name: Name
    latitude: float = Field(ge=-90, le=90)
    longitude: float = Field(ge=-180, le=180)
    altitude_m: float = Field(0.0, ge=-450, le=5500)
    time_zone: Text

    @field_validator("time_zone")
    @classmethod
    def _known(cls, zone: str) -> str:
        try:
            zoneinfo.ZoneInfo(zone)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
            near = _nearest(zone, zoneinfo.available_timezones())
            raise ValueError(f"no such time zone{near or '; a name like Europe/Lisbon would do'}") from None
        return zone


class Battery(_Table):
    """[battery] capacity_ah of one battery at the 20-hour rate; rested_voltage_v: (state of charge, volts) pairs."""

    chemistry: Literal["flooded", "agm", "gel", "lifepo4"] = "flooded"
    nominal_voltage_v: float = Field(12.0, ge=3, le=60)
    capacity_ah: float = Field(gt=0, le=10_000)
    in_parallel: int = Field(1, ge=1, le=64)
    rested_voltage_v: list[list[float]] | None = Field(None, min_length=2, max_length=200)
    lowest_state_of_charge: float = Field(0.5, ge=0, lt=1)
    cut_off_voltage_v: float = Field(None, gt=0, le=60, validate_default=False)

    @field_validator("rested_voltage_v")
    @classmethod
    def _increasing(cls, pairs: list[list[float]] | None) -> list[list[float]] | None:
        if pairs is None:
            return None
        if any(len(pair) != 2 or not 0 <= pair[0] <= 1 for pair in pairs):
            raise ValueError("pairs [state of charge from 0 to 1, rested volts] would do")
        if any(later[0] <= earlier[0] or later[1] <= earlier[1] for earlier, later in zip(pairs, pairs[1:])):
            raise ValueError("both the state of charge and the volts must increase from pair to pair")
        return pairs

    @model_validator(mode="before")
    @classmethod
    def _cut_off(cls, table: Any) -> Any:
        nominal = table.get("nominal_voltage_v", 12.0) if isinstance(table, dict) else None
        if isinstance(nominal, (int, float)) and "cut_off_voltage_v" not in table:
            return {**table, "cut_off_voltage_v": round(11.4 * nominal / 12.0, 2)}
        return table


class Panel(_Table):
    """[panel] power_w: what its label says; None where nobody knows."""

    power_w: float | None = Field(None, gt=0, le=100_000)


class Pump(_Table):
    """[[pump]] current_a at 12.6 V at the battery; flow_l_per_h by bucket and stopwatch; feeds: names of beds."""

    name: Name
    current_a: float | None = Field(None, gt=0, le=1000)
    flow_l_per_h: float | None = Field(None, gt=0, le=1e6)
    feeds: list[Name] = Field([], max_length=16)


class Bed(_Table):
    """[[bed]] Heights are metres above the bed's floor; the siphon starts at the standpipe and breaks at the drain.

    standpipe_bore_m: its inner diameter; outlet_below_m: how far under the bed's floor the water leaves its pipe.
    """

    name: Name
    area_m2: float | None = Field(None, gt=0, le=100)
    standpipe_height_m: Metres | None = None
    drain_height_m: Metres | None = None
    float_height_m: Metres | None = None
    low_float_height_m: Metres | None = None
    standpipe_bore_m: float | None = Field(None, ge=0.005, le=0.2)
    outlet_below_m: float = Field(0.15, ge=0, le=5)
    media_void_fraction: float = Field(1.0, gt=0, le=1)

    @model_validator(mode="after")
    def _in_order(self) -> Bed:
        low, high = self.low_float_height_m, self.float_height_m
        if high is not None and self.standpipe_height_m is not None and high > self.standpipe_height_m:
            raise ValueError(
                f"float_height_m: found {high:g}; at most standpipe_height_m = {self.standpipe_height_m:g} would do, "
                "or the float is never lifted")  # fmt: skip
        if high is not None and self.drain_height_m is not None and high <= self.drain_height_m:
            raise ValueError(
                f"float_height_m: found {high:g}; more than drain_height_m = {self.drain_height_m:g} would do, "
                "or the float never falls")  # fmt: skip
        if low is not None and high is not None and low >= high:
            raise ValueError(f"low_float_height_m: found {low:g}; less than float_height_m = {high:g} would do")
        return self


class Sump(_Table):
    """[sump] Where the fish live: volume_l with the beds drained, area_m2 of its surface; limits of the water."""

    volume_l: float | None = Field(None, gt=0, le=1e6)
    area_m2: float | None = Field(None, gt=0, le=1000)
    fish: Text = "none"
    fish_mass_kg: float = Field(0.0, ge=0, le=10_000)
    coldest_c: Temperature = 8.0
    warmest_c: Temperature = 28.0

    @model_validator(mode="after")
    def _in_order(self) -> Sump:
        if self.coldest_c >= self.warmest_c:
            raise ValueError(f"coldest_c: found {self.coldest_c:g}; less than warmest_c = {self.warmest_c:g} would do")
        return self


class Station(_Table):
    """[[station]] A board that reads the garden; usb: the serial port of one that is wired to this computer."""

    name: Name
    usb: Annotated[str, Field(pattern=r"^/[^\x00]+$", max_length=512)] | None = None


class Broker(_Table):
    """[broker] Where the MQTT broker is, and how to be let in; root: the first level or levels of every topic.

    follow: another host takes the readings in and tells the stations so; this one only listens, judges and warns.
    """

    host: Text = "127.0.0.1"
    port: Port = 1883
    username: Text | None = None
    password: Text | None = Field(None, repr=False)
    password_file: Text | None = None
    ca_file: Text | None = None
    follow: bool = False
    root: str = Field("barreltide", pattern=r"^[^/+#\x00$][^/+#\x00]*(/[^/+#\x00]+)*$", max_length=100)


class Store(_Table):
    """[store] The database file and the folder of its backups, relative to the site file; so many backups are kept."""

    path: Text = "barreltide.db"
    backups: Text = "backups"
    keep_backups: int = Field(4, ge=1, le=1000)


class Web(_Table):
    """[web] Where the pages are served; address: how phones reach them, for the links in notices; behind_proxy: what is
    asked comes through a web server of yours, which says by X-Forwarded-For and X-Forwarded-Proto who asks, and how."""

    host: Text = "127.0.0.1"
    port: int = Field(8420, ge=0, le=65535)
    address: Annotated[str, Field(pattern=r"^https?://[^\s/?#]+(/[^\s?#]*)?$", max_length=200)] | None = None
    behind_proxy: bool = False

    @model_validator(mode="after")
    def _says_what_is_before_it(self) -> Web:
        if (self.address or "").startswith("https:") and not self.behind_proxy:
            raise ValueError("behind_proxy: is missing; the service itself speaks plain HTTP, so that an address with "
                             "https comes through something else: behind_proxy = true would do")  # fmt: skip
        return self


class Notify(_Table):
    """[notify] Apprise URLs: every notice goes to each, once. They hold secrets: not to be shown.

    repeat_after_min: an urgent notice that nobody answers comes again after so long, then after twice that, and so on;
    escalate_after_min: and after so long the next person is asked; both later where an alarm leaves hours.
    heartbeat_url is asked for every heartbeat_min minutes, so that a watch kept elsewhere misses a host that has died.
    contact: whom a push service may write to. alarms: only of these anybody is told; left out: of all.
    """

    urls: list[Url] = Field([], max_length=20, repr=False)
    repeat_after_min: float = Field(10.0, ge=1, le=1440)
    escalate_after_min: float = Field(20.0, ge=1, le=1440)
    heartbeat_url: Annotated[str, Field(pattern=r"^https?://[^\s]+$", max_length=2048)] | None = Field(None, repr=False)
    heartbeat_min: float = Field(5.0, ge=1, le=1440)
    contact: Annotated[str, Field(pattern=r"^[^@\s]+@[^@\s]+\.[^@\s]+$", max_length=200)] | None = None
    alarms: list[Literal[*TABLE]] | None = None


class Person(_Table):
    """[[person]] Somebody who is asked to act: urls as in [notify], sms a number for the modem of [sms].

    Between `sleeps` and `wakes` only what is urgent goes out. order: 1 is asked first, the next when nobody has
    answered; the same number is asked together. daily_word: the hour of a short word that all is well,
    and of what needs no message of its own.
    """

    name: Name
    urls: list[Url] = Field([], max_length=8, repr=False)
    sms: Annotated[str, Field(pattern=r"^\+[1-9][0-9]{5,14}$")] | None = Field(None, repr=False)
    wakes: Hour = "07:00"
    sleeps: Hour = "22:00"
    order: int = Field(1, ge=1, le=16)
    daily_word: Hour | None = None


class Sms(_Table):
    """[sms] A modem with a SIM on this computer; pin_file holds the SIM's PIN, where it has one."""

    device: Text
    pin_file: Text | None = None


class Site(_Table):
    """The whole site file. Lists keep the file's order; the place's own keys are also attributes of the site."""

    place: Place = Field(alias="site")
    battery: Battery
    panel: Panel = Panel()
    pumps: list[Pump] = Field(alias="pump", min_length=1, max_length=8)
    beds: list[Bed] = Field(alias="bed", min_length=1, max_length=16)
    sump: Sump | None = None
    stations: list[Station] = Field(alias="station", min_length=1, max_length=16)
    own_broker: Broker | None = Field(None, alias="broker")
    store: Store = Store()
    web: Web = Web()
    notify: Notify = Notify()
    persons: list[Person] = Field([], alias="person", max_length=16)
    sms: Sms | None = None
    _folder: Path = PrivateAttr(default=Path("."))

    @property
    def name(self) -> str:
        return self.place.name

    @property
    def latitude(self) -> float:
        return self.place.latitude

    @property
    def longitude(self) -> float:
        return self.place.longitude

    @property
    def altitude_m(self) -> float:
        return self.place.altitude_m

    @property
    def time_zone(self) -> str:
        return self.place.time_zone

    @property
    def broker(self) -> Broker:
        """The broker's settings; the defaults where the file has no [broker] (see `embedded_broker`)."""
        return self.own_broker or Broker()

    @property
    def embedded_broker(self) -> bool:
        """True where the file names no broker, so that the service brings its own."""
        return self.own_broker is None

    @property
    def store_path(self) -> Path:
        return self.beside(self.store.path)

    def beside(self, path: str) -> Path:
        """A path of the site file, which is relative to the file itself."""
        return self._folder / path

    @model_validator(mode="before")
    @classmethod
    def _one_pump_feeds_all(cls, tables: Any) -> Any:
        pumps, beds = (tables.get(key) for key in ("pump", "bed")) if isinstance(tables, dict) else (None, None)
        if (
            isinstance(pumps, list) and len(pumps) == 1 and isinstance(pumps[0], dict) and "feeds" not in pumps[0]
            and isinstance(beds, list) and all(isinstance(bed, dict) for bed in beds)
        ):  # fmt: skip
            return {**tables, "pump": [{**pumps[0], "feeds": [bed.get("name") for bed in beds]}]}
        return tables

    @model_validator(mode="after")
    def _consistent(self) -> Site:
        for kind, rows in (
            ("pump", self.pumps), ("bed", self.beds), ("station", self.stations), ("person", self.persons)
        ):  # fmt: skip
            _refuse_twins(kind, [row.name for row in rows])
        for position, person in enumerate(self.persons, start=1):
            if person.sms is not None and self.sms is None:
                raise ValueError(f"person[{position}].sms: needs a modem; [sms] with its device would do")
        names = {bed.name for bed in self.beds}
        fed: dict[str, str] = {}
        for position, pump in enumerate(self.pumps, start=1):
            for bed in pump.feeds:
                if bed not in names:
                    raise ValueError(
                        f"pump[{position}].feeds: found {bed!r}, which is no [[bed]]"
                        f"{_nearest(bed, names) or '; one of ' + ', '.join(sorted(names)) + ' would do'}")  # fmt: skip
                if fed.setdefault(bed, pump.name) != pump.name:
                    raise ValueError(f"pump[{position}].feeds: found {bed!r}, which pump {fed[bed]!r} feeds already")
        for bed in self.beds:
            if bed.name not in fed:
                raise ValueError(f"pump.feeds: found no pump that feeds bed {bed.name!r}; name it in one pump's feeds")
        return self


def _refuse_twins(kind: str, names: list[str]) -> None:
    for position, name in enumerate(names, start=1):
        if kind in ("pump", "bed") and name in ("battery", "panel", "station", "sump", "water"):
            raise ValueError(f"{kind}[{position}].name: found {name!r}, which readings use already; another would do")
        if name in names[: position - 1]:
            raise ValueError(f"{kind}[{position}].name: found {name!r} a second time; a name of its own would do")


def load(path: str | Path) -> Site:
    """The site file at `path`. Raises SiteError with one line for a file that is missing, unreadable or wrong."""
    try:
        tables = tomllib.loads(Path(path).read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        raise SiteError(f"{path}: no such site file; --site takes the path of one") from None
    except IsADirectoryError:
        raise SiteError(f"{path}: is a folder; --site takes the path of a site file") from None
    except OSError as error:
        raise SiteError(f"{path}: cannot be read: {error.strerror}") from None
    except UnicodeDecodeError as error:
        raise SiteError(f"{path}: byte {error.start} is no UTF-8; save the file as UTF-8 text") from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SiteError(f"{path}: is no TOML: {error or 'nested too deeply'}") from None
    try:
        site = Site.model_validate(tables)
    except ValidationError as error:
        raise SiteError(f"{path}: {_in_words(error)}") from None
    site._folder = Path(path).resolve().parent
    return site


def _in_words(error: ValidationError) -> str:
    """The first thing wrong; a misspelt key before the missing key that it leaves behind."""
    details = sorted(error.errors(include_url=False), key=lambda detail: detail["type"] != "extra_forbidden")
    line = _one_detail(details[0])
    return line if len(details) == 1 else f"{line} (and {len(details) - 1} more)"


def _one_detail(detail: dict[str, Any]) -> str:
    loc = detail["loc"]
    key = "".join(f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in loc).lstrip(".")
    kind, context, found = detail["type"], detail.get("ctx", {}), detail["input"]
    secret = ("password", "heartbeat_url", "sms", "notify", "person")
    if loc and (loc[-1] in secret or "urls" in loc or (loc[0] == "person" and isinstance(loc[-1], int))):
        found = "(not shown)"  # they hold secrets, and this line ends in a log
    if kind == "extra_forbidden":
        keys = _keys_at(loc[:-1])
        return f"{key}: no such key{_nearest(str(loc[-1]), keys) or '; ' + ', '.join(keys) + ' would do'}"
    if kind == "missing":
        return f"{key}: is missing{_example(loc)}"
    if kind == "value_error":
        text = str(context["error"])
        return f"{key}: found {_shown(found)}: {text}" if not isinstance(found, dict) else f"{key}.{text}".lstrip(".")
    return f"{key}: found {_shown(found)}; {_would_do(kind, context)} would do"


_EXAMPLES = {
    "site": "[site] with name, latitude, longitude and time_zone", "battery": "[battery] with capacity_ah",
    "pump": "one [[pump]] with a name", "bed": "one [[bed]] with a name", "station": "one [[station]] with a name",
    "name": 'something like name = "garden"', "latitude": "degrees north, like latitude = 38.5",
    "longitude": "degrees east, like longitude = -121.7", "time_zone": 'something like time_zone = "Europe/Lisbon"',
    "device": 'the modem, like device = "/dev/ttyUSB0"',
    "capacity_ah": "ampere-hours of one battery, like capacity_ah = 100.0",
}  # fmt: skip


def _example(loc: tuple[int | str, ...]) -> str:
    example = _EXAMPLES.get(str(loc[-1]))
    return f"; {example} would do" if example else ""


def _would_do(kind: str, context: dict[str, Any]) -> str:
    if kind == "string_pattern_mismatch":
        if "a-z0-9" in context["pattern"]:
            return "a name of up to 32 of a-z, 0-9 and -, not starting with -,"
        if "[^?#]" in context["pattern"].replace("\\s", ""):
            return "an address like http://garden.lan:8420"
        if "https?" in context["pattern"]:
            return "an address like https://example.org/my-check"
        if "@" in context["pattern"]:
            return "an address of mail"
        if "[1-9]" in context["pattern"]:
            return "a number with its country's, like +351912345678,"
        if context["pattern"].startswith("^/"):
            return "a port like /dev/serial/by-id/…"
        if "[0-5]" in context["pattern"]:
            return "an hour like 07:00"
        return "topic levels joined by /, without + and #,"
    limits = {
        "greater_than": "more than {gt}", "greater_than_equal": "{ge} or more",
        "less_than": "less than {lt}", "less_than_equal": "{le} or less",
        "too_short": "at least {min_length}", "too_long": "at most {max_length}",
        "string_too_short": "at least {min_length} letter", "string_too_long": "at most {max_length} letters",
        "literal_error": "one of {expected}", "finite_number": "a finite number", "float_type": "a number",
        "int_type": "a whole number", "string_type": "text in quotes", "list_type": "a list",
        "model_type": "a table", "dict_type": "a table", "bool_type": "true or false",
    }  # fmt: skip
    return limits.get(kind, "{expected}" if "expected" in context else kind.replace("_", " ")).format(**context)


def _keys_at(loc: tuple[int | str, ...]) -> list[str]:
    """The keys that the table at this place may have."""
    if not loc:
        return [field.alias or name for name, field in Site.model_fields.items()]
    tables = {"site": Place, "battery": Battery, "panel": Panel, "pump": Pump, "bed": Bed, "sump": Sump,
              "station": Station, "broker": Broker, "store": Store, "web": Web, "notify": Notify,
              "person": Person, "sms": Sms}  # fmt: skip
    return list(tables[str(loc[0])].model_fields)


def _nearest(word: str, known: Any) -> str:
    near = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f"; did you mean {near[0]}?" if near else ""


def _shown(value: Any) -> str:
    if isinstance(value, (list, dict)):
        return f"{'a table' if isinstance(value, dict) else 'a list of ' + str(len(value))}"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"
