"""Draws the guide's wiring: `python3 deploy/drawings.py` writes deploy/drawings/*.svg. Standard library only.

Each drawing is a list of parts on a grid of 20 units, put down by the functions below; colours follow the reader's
light or dark screen. A wire is red at the battery's plus, blue at its minus, amber where it carries a signal.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from html import escape
from pathlib import Path

FOLDER = Path(__file__).resolve().parent / "drawings"
STYLE = """
.paper{fill:#fbf8ef}text{fill:#23302f;font:14px sans-serif}
.s{font-size:12px;fill:#4c5f5d}.h{font-size:16px;font-weight:600}
.box{fill:#f1ead6;stroke:#2a7f86;stroke-width:1.6}
.water{fill:#bfe0e0}.part{fill:#fbf8ef;stroke:#23302f;stroke-width:1.6}
.thin{fill:none;stroke:#23302f;stroke-width:1.6}
.dot{fill:#23302f}.plus{stroke:#b5402c}.minus{stroke:#2f5d9c}.signal{stroke:#a9761b}.wire{fill:none;stroke-width:2.4}
@media(prefers-color-scheme:dark){.paper{fill:#16201f}text{fill:#e6efee}.s{fill:#a9bdbb}.box{fill:#1d2b2b}
.water{fill:#24585b}.part{fill:#16201f;stroke:#e6efee}.thin{stroke:#e6efee}.dot{fill:#e6efee}
.plus{stroke:#e5745d}.minus{stroke:#7fa9e0}.signal{stroke:#e0b155}}
"""


class Drawing:
    """width, height: in units; about: what it shows, for who cannot see it."""

    def __init__(self, width: int, height: int, about: str) -> None:
        self._size, self._about, self._parts = (
            (width, height),
            about,
            [f'<rect class="paper" width="{width}" height="{height}"/>'],
        )

    def svg(self) -> str:
        width, height = self._size
        body = "\n".join(self._parts)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
            f'role="img" aria-label="{escape(self._about)}">\n<style>{STYLE}</style>\n{body}\n</svg>\n'
        )

    def text(self, x: float, y: float, words: str, kind: str = "", anchor: str = "start") -> None:
        for number, line in enumerate(words.split("\n")):
            self._parts.append(
                f'<text x="{x:g}" y="{y + 16 * number:g}" class="{kind}" text-anchor="{anchor}">{escape(line)}</text>'
            )

    def wire(self, kind: str, *points: tuple[float, float]) -> None:
        path = " ".join(f"{x:g},{y:g}" for x, y in points)
        self._parts.append(f'<polyline class="wire {kind}" points="{path}"/>')

    def dot(self, x: float, y: float) -> None:
        self._parts.append(f'<circle class="dot" cx="{x:g}" cy="{y:g}" r="4"/>')

    def box(
        self, x: float, y: float, width: float, height: float, title: str = "", words: str = "", kind: str = "box"
    ) -> None:
        self._parts.append(f'<rect class="{kind}" x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" rx="6"/>')
        if title:
            self.text(x + 12, y + 24, title, "h")
        if words:
            self.text(x + 12, y + 46, words, "s")

    def path(self, kind: str, commands: str) -> None:
        self._parts.append(f'<path class="{kind}" d="{commands}"/>')

    # Parts; each is 60 long and lies across (x to x + 60) or stands (y to y + 60), its wire running on at both ends.

    def resistor(self, x: float, y: float, words: str, upright: bool = False) -> None:
        if upright:
            self._parts.append(f'<rect class="part" x="{x - 9:g}" y="{y + 8:g}" width="18" height="44"/>')
            self.text(x + 16, y + 28, words)
        else:
            self._parts.append(f'<rect class="part" x="{x + 8:g}" y="{y - 9:g}" width="44" height="18"/>')
            self.text(x + 30, y - 16 - 16 * words.count("\n"), words, anchor="middle")

    def fuse(self, x: float, y: float, words: str, upright: bool = False) -> None:
        """A fuse is a box that the wire runs through."""
        if upright:
            self._parts.append(f'<rect class="part" x="{x - 8:g}" y="{y + 8:g}" width="16" height="44" rx="8"/>')
            self.wire("plus", (x, y), (x, y + 60))
            self.text(x + 16, y + 28, words)
        else:
            self._parts.append(f'<rect class="part" x="{x + 8:g}" y="{y - 8:g}" width="44" height="16" rx="8"/>')
            self.wire("plus", (x, y), (x + 60, y))
            self.text(x + 30, y - 16 - 16 * words.count("\n"), words, anchor="middle")

    def capacitor(self, x: float, y: float, words: str) -> None:
        """Upright: two plates."""
        self.path(
            "thin", f"M{x} {y}V{y + 26}M{x - 14} {y + 26}H{x + 14}M{x - 14} {y + 34}H{x + 14}M{x} {y + 34}V{y + 60}"
        )
        self.text(x + 20, y + 34, words)

    def diode(self, x: float, y: float, words: str) -> None:
        """Upright, letting current upwards."""
        self.path(
            "thin",
            f"M{x} {y + 60}V{y + 42}M{x - 11} {y + 42}h22L{x} {y + 20}ZM{x - 11} {y + 20}h22M{x} {y + 20}V{y}",
        )
        self.text(x + 18, y + 36, words)

    def ground(self, x: float, y: float) -> None:
        self.path(
            "thin", f"M{x} {y}V{y + 8}M{x - 14} {y + 8}H{x + 14}M{x - 9} {y + 13}H{x + 9}M{x - 4} {y + 18}H{x + 4}"
        )

    def battery(self, x: float, y: float, height: float, words: str = "12 V deep-cycle") -> None:
        self.box(x, y, 120, height, "battery", words)
        self.text(x + 128, y + 22, "+", "h")
        self.text(x + 128, y + height - 8, "−", "h")


def overview() -> Drawing:
    d = Drawing(
        900,
        400,
        "Where each fuse goes: four at the battery's plus, for charge controller, board, computer and divider, and one "
        "for the pump at the controller's load output",
    )
    d.battery(30, 130, 170)
    d.text(30, 96, "every fuse within a hand's\nbreadth of the plus pole", "s")
    d.wire("plus", (150, 160), (220, 160))
    d.wire("plus", (220, 60), (220, 340))
    rows = [
        (60, "its maker's", "charge controller", "from the panel; drops its\nload when the battery is low", 84),
        (160, "1 A", "converter to 5 V", "board: 0.05 A, 1 Ah a day", 64),
        (250, "3 A", "converter to 5 V, 3 A", "computer: 0.1 to 0.4 A", 64),
        (340, "0.5 A", "divider", "0.1 mA; the board reads it", 64),
    ]
    for y, words, title, about, height in rows:
        d.wire("plus", (220, y), (260, y))
        d.fuse(260, y, words)
        d.wire("plus", (320, y), (380, y))
        d.wire("minus", (570, y), (850, y)) if y > 60 else None
        d.box(380, y - 32, 200, height, title, about)
    d.wire("plus", (580, 46), (620, 46))
    d.fuse(620, 46, "pump's, 125 %")
    d.wire("plus", (680, 46), (710, 46))
    d.box(710, 20, 110, 56, "pump")
    d.wire("minus", (580, 98), (850, 98))
    d.wire("minus", (820, 46), (850, 46), (850, 380), (90, 380), (90, 300))
    for y in (160, 250):
        d.dot(220, y)
    for y in (98, 160, 250, 340):
        d.dot(850, y)
    d.text(600, 186, "board and computer not behind the load\noutput: they must still speak when the", "s")
    d.text(600, 218, "pump has been dropped", "s")
    d.text(600, 372, "minus: one common bar", "s")
    return d


def divider() -> Drawing:
    d = Drawing(
        900,
        400,
        "The divider: battery plus, fuse, 100 kilohm, the node, 15 kilohm to ground with 100 nanofarad across "
        "it, two diodes to clamp the node, 1 kilohm to the board's pin",
    )
    d.battery(30, 100, 220)
    d.wire("plus", (150, 130), (200, 130))
    d.fuse(200, 130, "0.5 A")
    d.wire("plus", (260, 130), (310, 130))
    d.resistor(310, 130, "100 kΩ, 1 %")
    d.wire("plus", (310, 130), (318, 130))
    d.wire("signal", (362, 130), (620, 130))
    d.resistor(620, 130, "1 kΩ")
    d.wire("signal", (612, 130), (628, 130))
    d.wire("signal", (672, 130), (730, 130))
    d.box(730, 40, 150, 270, "board")
    d.text(742, 136, "GPIO 34")
    d.text(742, 96, "3V3")
    d.text(742, 296, "GND")
    for x in (400, 470, 560):
        d.dot(x, 130)
    d.wire("signal", (400, 130), (400, 190))
    d.resistor(400, 190, "15 kΩ\n1 %", upright=True)
    d.wire("minus", (400, 242), (400, 290))
    d.wire("signal", (470, 130), (470, 190))
    d.capacitor(470, 190, "100 nF")
    d.wire("minus", (470, 250), (470, 290))
    d.wire("signal", (560, 130), (560, 190))
    d.diode(560, 190, "1N4148")
    d.wire("minus", (560, 250), (560, 290))
    d.diode(560, 70, "1N4148")
    d.wire("plus", (560, 70), (560, 50), (700, 50), (700, 90), (730, 90))
    d.wire("minus", (150, 290), (730, 290))
    for x in (400, 470, 560):
        d.dot(x, 290)
    d.text(
        310,
        340,
        "at the node: 12.6 V becomes 1.64 V, 16.2 V becomes 2.11 V (the ESP32's converter is good to 2.45 V)",
        "s",
    )
    d.text(
        310,
        358,
        "with the 100 kΩ close to the battery, even a wire that chafes through carries no more than 0.2 mA",
        "s",
    )
    return d


def floats() -> Drawing:
    d = Drawing(
        900,
        460,
        "A float switch in its stilling tube, wired to a pin with a pull-up, a series resistor and a capacitor",
    )
    d.path("thin", "M40 60V410H390V60")
    d.path("water", "M42 190H388V408H42Z")
    d.path("thin", "M310 410V164M346 410V164M310 410V440M346 410V440")
    d.text(300, 154, "standpipe", "s")
    d.path("thin", "M110 90V370M170 90V370")
    d.path("thin", "M110 346h-10M110 356h-10M170 346h10M170 356h10")
    d.text(48, 396, "holes: three of 4 mm", "s")
    d.path("thin", "M140 70V170M128 170h24")
    d.path("box", "M124 178h32v30h-32z")
    d.text(180, 216, "float, 2 to 3 cm\nbelow the flood", "s")
    d.text(180, 100, "stilling tube, 50 mm,\nopen at the top", "s")
    d.wire("signal", (134, 70), (134, 30), (430, 30), (430, 130), (470, 130))
    d.wire("minus", (146, 70), (146, 40), (410, 40), (410, 300), (730, 300))
    d.resistor(470, 130, "1 kΩ")
    d.wire("signal", (470, 130), (478, 130))
    d.wire("signal", (522, 130), (730, 130))
    d.box(730, 40, 150, 290, "board")
    d.text(742, 136, "GPIO 25")
    d.text(742, 96, "3V3")
    d.text(742, 306, "GND")
    d.dot(570, 130)
    d.dot(650, 130)
    d.wire("plus", (570, 62), (570, 50), (700, 50), (700, 90), (730, 90))
    d.resistor(570, 62, "4.7 kΩ", upright=True)
    d.wire("signal", (570, 114), (570, 130))
    d.wire("plus", (570, 60), (570, 70))
    d.wire("signal", (650, 130), (650, 190))
    d.capacitor(650, 190, "100 nF")
    d.wire("minus", (650, 250), (650, 300))
    d.dot(650, 300)
    d.text(440, 350, 'closed while the float is lifted: "wet": 0 in config.json', "s")
    d.text(440, 368, 'open while it is lifted: turn the float over on its stem, or "wet": 1', "s")
    return d


def thermometer() -> Drawing:
    d = Drawing(900, 300, "The thermometer: three wires, and one resistor of 4.7 kilohm between data and 3.3 volt")
    d.path("water", "M32 120H218V268H32Z")
    d.path("thin", "M30 60V270H220V60")
    d.box(90, 180, 70, 26, kind="part")
    d.text(60, 232, "DS18B20, sealed", "s")
    d.wire("plus", (160, 186), (260, 186), (260, 90), (730, 90))
    d.wire("signal", (160, 193), (300, 193), (300, 150), (730, 150))
    d.wire("minus", (160, 200), (340, 200), (340, 220), (730, 220))
    d.resistor(500, 90, "4.7 kΩ", upright=True)
    d.wire("plus", (500, 90), (500, 98))
    d.wire("signal", (500, 142), (500, 150))
    d.dot(500, 90)
    d.dot(500, 150)
    d.box(730, 36, 150, 214, "board")
    d.text(742, 96, "3V3")
    d.text(742, 156, "GPIO 4")
    d.text(742, 226, "GND")
    d.text(270, 80, "red", "s")
    d.text(360, 142, "yellow or white: data", "s")
    d.text(360, 238, "black", "s")
    d.text(270, 280, "the resistor sits at the board's end; more thermometers share the same three wires", "s")
    return d


def current() -> Drawing:
    d = Drawing(900, 340, "The optional current sensor in the pump's plus wire, behind the pump's fuse")
    d.battery(30, 60, 220)
    d.wire("plus", (150, 90), (200, 90))
    d.fuse(200, 90, "pump's fuse")
    d.wire("plus", (260, 90), (330, 90))
    d.box(330, 60, 190, 150, "INA226 or INA219")
    d.text(354, 112, "IN+", "s")
    d.text(496, 112, "IN−", "s", "end")
    d.resistor(395, 130, "", upright=False)
    d.text(425, 160, "shunt", "s", "middle")
    d.wire("plus", (330, 90), (348, 90), (348, 130), (403, 130))
    d.wire("plus", (447, 130), (502, 130), (502, 90), (600, 90))
    d.box(600, 60, 110, 70, "pump")
    d.wire("minus", (655, 130), (655, 280), (150, 280), (150, 260))
    d.box(740, 126, 140, 150, "board")
    for y, name in ((180, "3V3"), (205, "SCL"), (230, "SDA"), (255, "GND")):
        d.text(752, y + 5, name)
    d.wire("plus", (480, 210), (480, 180), (740, 180))
    d.wire("signal", (440, 210), (440, 225), (690, 225), (690, 205), (740, 205))
    d.wire("signal", (400, 210), (400, 240), (710, 240), (710, 230), (740, 230))
    d.wire("minus", (360, 210), (360, 280))
    d.wire("minus", (655, 255), (740, 255))
    d.dot(360, 280)
    d.dot(655, 255)
    d.text(
        30,
        320,
        "a shunt that drops 75 mV or less at the pump's greatest current: 0.02 Ω for 3 A; behind the fuse",
        "s",
    )
    return d


def supply() -> Drawing:
    d = Drawing(
        900, 340, "The supply of board and computer from the same battery: fuse, surge absorber, converter to 5 volt"
    )
    d.battery(30, 60, 220)
    d.wire("plus", (150, 90), (200, 90))
    d.fuse(200, 90, "1 A")
    d.wire("plus", (260, 90), (420, 90))
    d.dot(340, 90)
    d.wire("plus", (340, 90), (340, 140))
    d.path("thin", "M340 140V160M329 182H351L340 160ZM325 164L329 160H351L355 156M340 182V220")
    d.text(358, 176, "surge absorber\nfor 18 V", "s")
    d.wire("minus", (340, 220), (340, 260))
    d.dot(340, 260)
    d.box(420, 60, 170, 90, "converter", "8 to 28 V in, 5 V out")
    d.wire("plus", (590, 90), (730, 90))
    d.wire("minus", (150, 260), (730, 260))
    d.wire("minus", (505, 150), (505, 260))
    d.dot(505, 260)
    d.wire("plus", (660, 90), (660, 150))
    d.dot(660, 90)
    d.capacitor(660, 150, "470 µF")
    d.wire("minus", (660, 210), (660, 260))
    d.dot(660, 260)
    d.box(730, 40, 150, 240, "board")
    d.text(742, 96, "5V (VIN)")
    d.text(742, 266, "GND")
    d.text(30, 312, "the computer gets the same, with a fuse of 3 A and a converter for 3 A, on wires of its own", "s")
    return d


DRAWINGS: dict[str, Callable[[], Drawing]] = {
    "overview": overview,
    "divider": divider,
    "floats": floats,
    "thermometer": thermometer,
    "current": current,
    "supply": supply,
}


def main() -> int:
    FOLDER.mkdir(exist_ok=True)
    for name, draw in DRAWINGS.items():
        (FOLDER / f"{name}.svg").write_text(draw().svg(), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
