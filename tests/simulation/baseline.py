"""What a grower scripts in an evening: fixed thresholds on the latest readings, to hold a judgement against.

Each condition gives one alarm, raised again only after it has cleared; the numbers are sensible for a garden of
ordinary size. It reads the very inputs that the engine reads and gives events of the same form.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

FLOAT_STILL_S = 45 * 60.0
SILENT_S = 10 * 60.0
SUMP_LOW_S = 5 * 60.0
SENSOR_GONE_S = 30 * 60.0
LOW_V, DARK_CHARGE_V, HIGH_V = 12.0, 13.0, 15.0
COLDEST_C, WARMEST_C = 8.0, 28.0


class Thresholds:
    """One garden under fixed thresholds."""

    def __init__(self, run) -> None:
        label = run.plan.label
        self._coldest_c, self._warmest_c = label["coldest_c"], label["warmest_c"]
        self._pump_of = {bed: pump["name"] for pump in run.plan.pumps for bed in pump["feeds"]}
        self._changed: dict[str, tuple[float, bool]] = {}  # float: since when, and its state
        self._heard_s: float | None = None
        self._water_s: float | None = None
        self._standing: set[tuple[str, str]] = set()
        self._station = run.plan.station.name

    def events(self, inputs: Iterable, end_s: float) -> Iterator[dict]:
        """Judges each minute, and after each pack."""
        minute_s = None
        for item in inputs:
            now_s = item.received_s
            minute_s = minute_s or now_s
            while minute_s + 60 <= now_s:
                minute_s += 60
                yield from self._judge(minute_s)
            for reading in getattr(item, "readings", ()):
                yield from self._hear(now_s, reading)
            self._heard_s = now_s
        while minute_s is not None and minute_s + 60 <= end_s:
            minute_s += 60
            yield from self._judge(minute_s)

    def _hear(self, now_s: float, reading) -> Iterator[dict]:
        name, value = reading.name, reading.value
        if isinstance(value, bool):
            if self._changed.get(name, (0.0, None))[1] is not value:
                fell = name.endswith("/high") and not value and name in self._changed
                self._changed[name] = (now_s, value)
                if fell:
                    yield {"event": "cycle", "time": reading.sampled_s, "bed": name.removesuffix("/high")}
        elif name == "battery/voltage":
            yield from self._set(now_s, "battery-low", "battery", value < LOW_V)
            yield from self._set(now_s, "charge-voltage-high", "battery", value > HIGH_V)
        elif name == "water/temperature":
            self._water_s = now_s
            yield from self._set(now_s, "sensor-fault", name, not -5 < value < 50)
            yield from self._set(now_s, "water-too-warm", "sump", value > self._warmest_c)
            yield from self._set(now_s, "water-too-cold", "sump", value < self._coldest_c)

    def _judge(self, now_s: float) -> Iterator[dict]:
        silent = self._heard_s is None or now_s - self._heard_s > SILENT_S
        yield from self._set(now_s, "station-silent", self._station, silent)
        if silent:
            return
        for pump in set(self._pump_of.values()):
            beds = [bed for bed, feeder in self._pump_of.items() if feeder == pump and f"{bed}/high" in self._changed]
            still = {bed: now_s - self._changed[f"{bed}/high"][0] > FLOAT_STILL_S for bed in beds}
            stopped = bool(beds) and all(still.values())
            yield from self._set(now_s, "pump-stopped", pump, stopped)
            for bed in beds:
                wet = self._changed[f"{bed}/high"][1]
                alone = still[bed] and not stopped
                yield from self._set(now_s, "siphon-not-starting", bed, alone and wet)
                yield from self._set(now_s, "siphon-not-breaking", bed, alone and not wet)
        if "sump/low" in self._changed:
            since_s, covered = self._changed["sump/low"]
            yield from self._set(now_s, "sump-low", "sump", not covered and now_s - since_s > SUMP_LOW_S)
        if self._water_s is None or now_s - self._water_s > SENSOR_GONE_S:
            yield from self._set(now_s, "sensor-fault", "water/temperature", True)

    def _set(self, now_s: float, alarm: str, subject: str, holds: bool) -> Iterator[dict]:
        key = (alarm, subject)
        if holds is (key in self._standing):
            return
        (self._standing.add if holds else self._standing.discard)(key)
        change = "raised" if holds else "cleared"
        yield {"event": "alarm", "time": now_s, "since": now_s, "alarm": alarm, "subject": subject, "change": change,
               "priority": "soon", "message": f"{alarm} {subject}"}  # fmt: skip
