"""The shapes of the pages' JSON answers, for /openapi.json. A value that is not known is null."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass
class Health:
    """How the service is. `last_reading_age_s`: seconds since a pack arrived, null before the first; `problems`: one
    line for each thing that is wrong with the service itself; counts are since the store was made."""

    last_reading_age_s: float | None
    time_s: float
    version: str
    packs_stored: int
    refused: int
    standing_alarms: int
    problems: list[str]


@dataclass
class Now:
    """The engine's picture of this moment: beds, pumps, battery (V, share of charge 0 to 1 with a 90 % interval), water
    (degrees Celsius), stations and standing alarms. `time`: the engine's clock, `now_s`: the host's, Unix seconds."""

    now_s: float
    time: float | None
    beds: dict[str, dict]
    pumps: dict[str, dict]
    battery: dict | None
    water: dict | None
    stations: dict[str, dict]
    standing: list[dict]
    returned: list[dict]
    shelved: list[dict]


@dataclass
class Readings:
    """Readings of one series in order of time: `[[time_s, value], …]`, SI units, a float switch as true (wet) or
    false. When there are more than `limit`, the newest are given and `more` is true: ask again up to the first."""

    station: str
    name: str
    unit: str | None
    readings: list[tuple[float, float | bool | str]]
    more: bool


@dataclass
class Chart:
    """A span in about as many points as were asked for: arrays of the same length, `t` in Unix seconds; where nothing
    is known for a while, a point of nulls. `each_s`: the width of a point, 0 where each is a reading; `low` and `high`:
    of what lies in it; of a float switch `mean` is the share of time that it was wet, unless `steps`: then each state
    lasts until the next. `complete` is false while an older store is still being rolled up."""

    each_s: float
    steps: bool
    complete: bool
    t: list[float]
    mean: list[float | None]
    low: list[float | None]
    high: list[float | None]


@dataclass
class Days:
    """Days at the garden, oldest first. `date`, `start_s`: its midnight; `beds`: by name the day's cycles, with
    shortest, median (`period_s`) and longest period and medians of the rest; low, mean and high of voltage and
    water."""

    days: list[dict]
    more: bool


@dataclass
class NightDrawn:
    """What a night's drawing needs. `date`: of the dusk; `record`: as of /api/nights, null until dawn; `voltage` and
    `charge`: as of /api/chart and /api/battery; `floor`: a share of charge; `stops`: when pumps stood still, as alarms
    told it; `journal` and `notes`: oldest first."""

    date: str
    dusk: float
    dawn: float
    start_s: float
    end_s: float
    record: dict | None
    floor: float
    cut_off_v: float
    voltage: Chart | None
    charge: Chart
    stops: list[dict]
    journal: list[dict]
    notes: list[dict]


@dataclass
class SeriesList:
    """Every series that a station ever sent, with its unit and newest reading."""

    series: list[dict]


@dataclass
class Cycles:
    """Counted cycles, newest first; `time`: when the bed had drained for good; the `_s` fields are seconds."""

    cycles: list[dict]
    more: bool


@dataclass
class Turns:
    """How the beds' floods fall together at `time`, from the slowest bed's `last` cycles: each bed's rhythm; each two
    beds' phase (`apart`, in cycles), drift and beat, and when they are next full at once, nine times in ten between
    `low_s` and `high_s`; `together`: all beds at once; `water`: what is left in the sump then; `branches`: for each
    pump the changes of flow that would bring its beds' periods together; `words`: the same in sentences; `of_pairs`:
    those among them that tell of two beds."""

    time: float
    beds: dict[str, dict]
    pairs: list[dict]
    together: dict | None
    water: dict | None
    branches: dict[str, dict | None]
    words: list[str]
    of_pairs: list[str]


@dataclass
class Shakedown:
    """The newest shakedown, null where none was started: its `stages` with their verdicts ("ready", "not yet", "so
    far"), each of its `checks` with state ("good", "bad", "open"), evidence and advice, the days by their weather;
    `words`: the same in sentences."""

    shakedown: dict | None
    words: list[str]


@dataclass
class Trials:
    """For each bed its `trials`, cut where notes are pinned (by default of the last day): each measure's median,
    quartiles and `chance`, the share of deals that set it as far from the trial before; a `verdict` on the last change,
    and the limits of its standpipe's bore; `words`: the same as a table and in sentences."""

    beds: dict[str, dict]
    words: list[str]


@dataclass
class Nights:
    """Night records, newest first; amp-hours, volts, hours, and shares of charge from 0 to 1."""

    nights: list[dict]
    more: bool


@dataclass
class Notes:
    """What the grower has pinned to moments, newest first: `time`, `bed` (null: the whole garden), `text`, `who`."""

    notes: list[dict]
    more: bool


@dataclass
class Alarms:
    """`standing`: alarms that stand now, each with its `state`; `returned`: those over that nobody has acknowledged;
    `shelved`: those put aside, out of service too; `journal`: every raising, clearing and answer, newest first."""

    standing: list[dict]
    returned: list[dict]
    shelved: list[dict]
    journal: list[dict]
    more: bool


@dataclass
class Refused:
    """Messages that were refused and kept aside, newest first, each with its reason; `total` counts all, ever."""

    total: int
    refused: list[dict]


@dataclass
class Notices:
    """What was sent to phones, newest first; each with its sendings: channel, state (waiting, sent, given-up), tries,
    `sent_s`, and the last error."""

    notices: list[dict]


@dataclass
class Told:
    """What was taken in and committed. `input` is "pump-rested", with `pump`; "noted", with `time_s`, `text` and `bed`;
    or an answer to an alarm, with `alarm`, `subject` and `reason`; `until_s`: until when (Unix seconds) alarms are held
    back or shelved."""

    input: str
    received_s: float
    until_s: float | None = None
    pump: str | None = None
    alarm: str | None = None
    subject: str | None = None
    reason: str | None = None
    who: str | None = None
    time_s: float | None = None
    text: str | None = None
    bed: str | None = None


@dataclass
class NeighbourLink:
    """`link`: a path that shows the garden for `days` to whoever has it, and lets nobody answer; it is told only once.
    Null where all of them were taken back: `revoked` counts them."""

    link: str | None
    days: int
    revoked: int


@dataclass
class PushKey:
    """`key`: our public key in base64, which a browser needs to subscribe to Web Push (applicationServerKey)."""

    key: str


@dataclass
class Phone:
    """`phone`: the number of a phone that gets notices by Web Push from now on."""

    phone: int


@dataclass
class PhoneList:
    """The phones that get notices by Web Push: `phone` (its number), `person` (null: everybody's), `since_s`,
    `service` (the host of its maker's push service) and `last_sent_s`, when that last took something."""

    phones: list[dict]


@dataclass
class Tried:
    """What each channel said to a test: `channel`, and `error`, null where the test was taken."""

    channels: list[dict]


@dataclass
class Wrong:
    """`error`: one line that names what was wrong, what was found and what would do."""

    error: str
