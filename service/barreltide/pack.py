"""The wire: MQTT topics, and SenML packs (RFC 8428, JSON) turned into the engine's values.

What is no valid pack is refused whole, with one line that says why. Magnitudes are not judged here: 500 V is a
perfectly good message about a broken sensor, and the engine's business.
"""

from __future__ import annotations

import datetime
import json
import math
import operator
import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError, with_config
from typing_extensions import TypedDict  # pydantic needs this one below Python 3.12

from .core.reading import Pack, Reading

if TYPE_CHECKING:
    from .site import Site

MOST_BYTES = 65_536
MOST_RECORDS = 4_096
MOST_TEXT = 1_000
OLDEST_S = 60 * 86_400
NEWEST_S = 3_600
RELATIVE_BELOW = 2**28  # RFC 8428 §4.5.3: a time below this many seconds counts from now
VERSION = 10  # RFC 8428 §4.4

# The unit of a known name's number, or bool for a float switch.
KINDS: dict[str, type[bool] | str] = {
    "station/uptime": "s", "station/free-memory": "B", "station/signal": "dBW", "battery/voltage": "V",
    "battery/temperature": "Cel", "pump/current": "A", "panel/current": "A", "water/temperature": "Cel",
    "sump/low": bool,
}  # fmt: skip


class PackError(ValueError):
    """A pack that is refused; the text is one line. boot, seq: its identity, where it could be read all the same."""

    boot: int | None = None
    seq: int | None = None


class StrangeStation(PackError):
    """A pack of a station that the site file does not name: good perhaps, but not ours to forget."""


class Topics:
    """The topics of one site, and the readings that it knows. `root` may have several levels."""

    def __init__(
        self, root: str, site: str, stations: Iterable[str], beds: Iterable[str] = (), pumps: Iterable[str] = ()
    ) -> None:
        self._prefix = f"{root}/{site}/"
        self.stations = frozenset(stations)
        self.kinds = dict(KINDS)
        self.beds = frozenset(beds)
        for bed in self.beds:
            self.kinds |= {f"{bed}/high": bool, f"{bed}/low": bool, f"{bed}/level": "m"}
        self.pumps = frozenset(pumps)
        self.kinds |= {f"{pump}/current": "A" for pump in self.pumps}
        self._parsed: dict[str, tuple[str, str]] = {}
        self.readings = f"{self._prefix}+/readings"
        self.presence = f"{self._prefix}+/presence"
        self.alarms = f"{self._prefix}alarms"
        self.service = f"{self._prefix}service"  # in recordings only: a start of the service …
        self.grower = f"{self._prefix}grower"  # … and what the grower told it (grower.py)
        self._site = site

    @classmethod
    def of_site(cls, site: Site) -> Topics:
        stations, beds, pumps = ([row.name for row in rows] for rows in (site.stations, site.beds, site.pumps))
        return cls(site.broker.root, site.name, stations, beds, pumps)

    def receipt(self, station: str) -> str:
        return f"{self._prefix}{station}/receipt"

    def of(self, station: str, kind: str) -> str:
        return f"{self._prefix}{station}/{kind}"

    def parse(self, topic: str) -> tuple[str, str]:
        """(station, kind), with an empty station for the site's own topics. Raises PackError for any other topic."""
        parsed = self._parsed.get(topic)
        if parsed is None:
            parsed = self._parse(topic)
            if len(self._parsed) < 1_000:
                self._parsed[topic] = parsed
        return parsed

    def _parse(self, topic: str) -> tuple[str, str]:
        if topic.startswith(self._prefix):
            station, slash, kind = topic[len(self._prefix) :].rpartition("/")
            if kind in ("alarms", "service", "grower") and not slash:
                return "", kind
            if kind in ("readings", "presence", "receipt") and re.fullmatch(r"[a-z0-9][a-z0-9-]{0,31}", station):
                return station, kind
        raise PackError(f"topic {_shown(topic)} is none of {self._prefix}STATION/readings, presence or receipt")

    def base_name(self, station: str) -> str:
        return f"{self._site}/{station}/"


@with_config(ConfigDict(strict=True, extra="allow", allow_inf_nan=False))
class Record(TypedDict, total=False):
    """A SenML record as it stands in the pack (RFC 8428 §4.3, table 1)."""

    bn: str
    bt: float
    bu: str
    bv: float
    bs: float
    bver: int
    n: str
    u: str
    v: float
    vs: str
    vb: bool
    vd: str
    s: float
    t: float
    ut: float


_LABELS = frozenset(Record.__annotations__)
_RECORDS = TypeAdapter(Annotated[list[Record], Field(min_length=1, max_length=MOST_RECORDS)])
_from_json = TypeAdapter(Any).validator.validate_json  # takes half the time of json.loads
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*").fullmatch  # RFC 8428 §4.5.1


class Resolved(NamedTuple):
    """A resolved record (RFC 8428 §4.6). value: number, bool, or text (vs, or vd undecoded); None beside a sum."""

    name: str
    time_s: float
    value: float | bool | str | None
    unit: str | None
    sum: float | None


def resolve_senml(records: list[Record], now_s: float) -> list[Resolved]:
    """Apply base values and relative times, and order by time, as RFC 8428 §4.5 and §4.6 say.

    now_s: Unix seconds that relative times count from. Raises PackError naming the record, counted from 1.
    """
    resolved: list[Resolved] = []
    bn, bt, bu, bv, bs = "", 0.0, None, None, None
    for position, record in enumerate(records, start=1):
        _check_fields(record, position)
        bn, bt, bu = record.get("bn", bn), record.get("bt", bt), record.get("bu", bu)
        bv, bs = record.get("bv", bv), record.get("bs", bs)
        name = bn + record.get("n", "")
        if not _NAME(name) or len(name) > MOST_TEXT:
            raise PackError(
                f"record {position}: name {_shown(name)}; letters, digits and - : . / _ would do, "
                "starting with a letter or digit")  # fmt: skip
        time_s = bt + record.get("t", 0.0)
        if time_s < RELATIVE_BELOW:
            time_s += now_s
        value, total = _value(record, bv, bs, position)
        resolved.append(Resolved(name, time_s, value, record.get("u", bu), total))
    resolved.sort(key=_time_s)
    return resolved


_time_s = operator.itemgetter(1)  # of a Resolved, and of a Reading


def _check_fields(record: Record, position: int) -> None:
    for label in record.keys() - _LABELS:
        if label.endswith("_"):  # RFC 8428 §4.4: such a field must be understood, or the pack must be refused
            raise PackError(f"record {position}: field {_shown(label)} must be understood, and is not known here")
    if not 1 <= record.get("bver", VERSION) <= VERSION:
        raise PackError(f"record {position}: bver is {record['bver']}; 1 to {VERSION} would do")


def _value(record: Record, bv: float | None, bs: float | None, position: int) -> tuple[Any, float | None]:
    values = [record[label] for label in ("v", "vb", "vs", "vd") if label in record]  # type: ignore[literal-required]
    total = None
    if "s" in record or bs is not None:
        total = (bs or 0.0) + record.get("s", 0.0)
    if len(values) > 1:
        raise PackError(f"record {position}: more than one value; one of v, vb, vs and vd would do")
    if not values:
        if bv is None and total is None:
            raise PackError(f"record {position}: no value; one of v, vb, vs, vd and s would do")
        return bv, total
    value = values[0]
    if bv is not None and "v" in record:
        value += bv
        if not math.isfinite(value):
            raise PackError(f"record {position}: v with bv added is {value}; a finite number would do")
    if isinstance(value, str) and len(value) > MOST_TEXT:
        raise PackError(f"record {position}: text of {len(value)} letters; at most {MOST_TEXT} would do")
    return value, total


def parse_json(text: bytes) -> Any:
    """What the JSON says. Raises ValueError or RecursionError, in the words of the standard library."""
    try:
        return _from_json(text)
    except ValidationError:
        return json.loads(text)


def read_records(payload: bytes | list[Any]) -> list[Record]:
    """The records of a pack, every field of its right type. Raises PackError."""
    try:
        if isinstance(payload, (bytes, bytearray)):
            if len(payload) > MOST_BYTES:
                raise PackError(f"{len(payload):,} bytes; at most {MOST_BYTES:,} would do")
            return _RECORDS.validate_json(payload)
        return _RECORDS.validate_python(payload)
    except ValidationError as error:
        raise PackError(_in_words(error)) from None


def read_pack(topics: Topics, topic: str, payload: bytes | list[Any], received_s: float) -> Pack:
    """The pack that arrived on `topic` at `received_s` (Unix seconds). Raises PackError."""
    station, kind = topics.parse(topic)
    if kind != "readings":
        raise PackError(f"topic {_shown(topic)} carries no readings")
    if station not in topics.stations:
        raise StrangeStation(
            f"station {station!r} is not in the site file; name it in a [[station]] there, and it will send this again"
        )
    return _read_plain(topics, station, payload, received_s) or _read_any(topics, station, payload, received_s)


def _read_plain(topics: Topics, station: str, payload: bytes | list[Any], received_s: float) -> Pack | None:
    """The pack, if it is as stations send them all day: who it is, then readings that the site knows, each with its
    value, its unit and perhaps a time. None for any other, good or bad: `_read_any` knows the whole standard, and the
    words for what is wrong. A year of replay has millions of these, and this takes a quarter of the time.
    """
    kinds, oldest_s, newest_s = topics.kinds, received_s - OLDEST_S, received_s + NEWEST_S
    readings: list[Reading] = []
    try:
        records = payload if type(payload) is list else _from_json(payload)
        first, second = records[0], records[1]
        boot, seq, base_s = first["v"], second["v"], first.get("bt", 0.0)
        if (
            (first["bn"], first["n"], second["n"]) != (topics.base_name(station), "station/boot", "station/seq")
            or not (type(boot) is type(seq) is int and 0 <= boot < 2**53 and 0 <= seq < 2**53)
            or not (type(base_s) is float and math.isfinite(base_s))
            or len(first) + len(second) != (6 if "bt" in first else 5)  # nothing else stands in them
            or len(payload) > (MOST_RECORDS if records is payload else MOST_BYTES)
        ):
            return None
        for record in records[2:]:
            name, t = record["n"], record.get("t", 0.0)
            kind, labels = kinds[name], 3 if "t" in record else 2
            if kind is bool:
                value = record["vb"]
                is_good = type(value) is bool
            else:
                value, labels = record["v"], labels + 1
                if type(value) is int:
                    value = float(value)
                is_good = type(value) is float and math.isfinite(value) and record["u"] == kind
            time_s = base_s + t
            if time_s < RELATIVE_BELOW:
                time_s += received_s
            if not is_good or type(t) is bool or len(record) != labels or not oldest_s <= time_s <= newest_s:
                return None
            readings.append(Reading(name, time_s, value))
    except (ArithmeticError, LookupError, TypeError, ValueError):
        return None
    readings.sort(key=_time_s)
    return Pack(received_s, station, boot, seq, tuple(readings))


def _read_any(topics: Topics, station: str, payload: bytes | list[Any], received_s: float) -> Pack:
    try:
        return _read_whole(topics, station, payload, received_s)
    except PackError as error:
        if error.boot is None or error.seq is None:
            error.boot, error.seq = _named_plainly(topics.base_name(station), payload)
        raise


def _read_whole(topics: Topics, station: str, payload: bytes | list[Any], received_s: float) -> Pack:
    records = resolve_senml(read_records(payload), received_s)
    base, kinds = topics.base_name(station), topics.kinds
    skip = len(base)
    boot = seq = None
    oldest, newest = received_s - OLDEST_S, received_s + NEWEST_S
    error: PackError | None = None
    readings: list[Reading] = []
    for name, time_s, value, unit, total in records:
        if not name.startswith(base):
            raise PackError(f"name {_shown(name)} does not start with {base!r}, as the topic does")
        name = name[skip:]
        if name == "station/boot":
            boot = _identity(name, value, boot)
        elif name == "station/seq":
            seq = _identity(name, value, seq)
        else:
            if not oldest <= time_s <= newest:
                error = error or PackError(_out_of_time(name, time_s, received_s))
            kind = kinds.get(name)
            if kind is None or type(value) is not (bool if kind is bool else float) or unit != kind:
                error = error or _wrong_kind(kind, name, value, unit, total)
            readings.append(Reading(name, time_s, value if value is not None else total))
    if boot is None or seq is None:
        raise PackError(
            f"no {'station/boot' if boot is None else 'station/seq'}; a pack without identity cannot be kept"
        )
    if error is not None:
        error.boot, error.seq = boot, seq
        raise error
    return Pack(received_s, station, boot, seq, tuple(readings))


def _named_plainly(base: str, payload: bytes | list[Any]) -> tuple[int | None, int | None]:
    """(boot, seq) of a pack that is no SenML for another reason, where they stand as stations write them: without a
    receipt for what was set aside the station would send it for ever, and after it nothing else."""
    try:
        first, second = (parse_json(payload) if isinstance(payload, (bytes, bytearray)) else payload)[:2]
        numbers = first["v"], second["v"]
        names = first["bn"], first["n"], second["n"]
    except (LookupError, RecursionError, TypeError, ValueError):
        return None, None
    if names != (base, "station/boot", "station/seq"):
        return None, None
    if not all(type(number) is int and 0 <= number < 2**53 for number in numbers):
        return None, None
    return numbers


def _identity(name: str, value: Any, earlier: int | None) -> int:
    if earlier is not None:
        raise PackError(f"{name} appears twice; once would do")
    if isinstance(value, float) and 0 <= value < 2**53 and value == int(value):
        return int(value)
    raise PackError(f"{name} is {_shown(value)}; a whole number from 0, below 2^53, would do")


def _wrong_kind(
    kind: type[bool] | str | None, name: str, value: Any, unit: str | None, total: float | None
) -> PackError | None:
    if not name:
        return PackError("a record has no name of its own")
    if kind is None:
        return None
    if type(value) is not (bool if kind is bool else float):
        field = "vb, true or false," if kind is bool else "v, a number,"
        found = _shown(value) if value is not None else f"only a sum of {total:g}"
        return PackError(f"{name} is {found}; {field} would do")
    if unit is not None and kind is not bool and unit != kind:
        return PackError(f"{name} is in {_shown(unit)}; {kind} would do")
    return None


def _out_of_time(name: str, time_s: float, received_s: float) -> str:
    return (
        f"{name} is of {iso(time_s)}, but the pack arrived at {iso(received_s)}; "
        f"at most {OLDEST_S // 86_400} days before or {NEWEST_S // 3600} h after would do"
    )


def iso(time_s: float) -> str:
    """UTC in ISO 8601, to the second; the bare number where no calendar reaches."""
    try:
        moment = datetime.datetime.fromtimestamp(time_s, datetime.UTC)
    except (OverflowError, ValueError, OSError):
        return f"{time_s:g} s"
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")


def read_presence(payload: bytes | dict[str, Any]) -> dict[str, Any]:
    """`{"online": bool, …}` of a presence topic; other keys are kept as they are. Raises PackError."""
    try:
        if isinstance(payload, (bytes, bytearray)):
            if len(payload) > 1024:
                raise PackError(f"presence of {len(payload):,} bytes; at most 1,024 would do")
            payload = json.loads(payload)
    except (ValueError, RecursionError):
        raise PackError(f"presence is no JSON: {_shown(payload)}") from None
    if not isinstance(payload, dict) or not isinstance(payload.get("online"), bool):
        raise PackError(f'presence is {_shown(payload)}; {{"online": true}} or {{"online": false}} would do')
    return payload


def _in_words(error: ValidationError) -> str:
    detail = error.errors(include_url=False, include_context=True)[0]
    loc, kind, found = detail["loc"], detail["type"], detail["input"]
    if kind == "json_invalid":
        return f"no JSON: {detail['ctx']['error']}"
    if not loc:
        if kind in ("too_short", "too_long"):
            return f"{detail['ctx']['actual_length'] or 'no'} records; 1 to {MOST_RECORDS} would do"
        return f"found {_shown(found)}; a JSON array of records would do"
    record = f"record {int(loc[0]) + 1}"
    if len(loc) == 1:
        return f"{record}: found {_shown(found)}; a JSON object would do"
    wanted = {"float_type": "a number", "finite_number": "a finite number", "int_type": "a whole number",
              "string_type": "text", "bool_type": "true or false"}.get(kind, kind.replace("_", " "))  # fmt: skip
    return f"{record}: {loc[1]} is {_shown(found)}; {wanted} would do"


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"
