"""Short messages: the octets, and a modem that behaves as its standard says, in good days and bad."""

from __future__ import annotations

import threading
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from barreltide.notices import sms, sms_pdu
from barreltide.notices.people import Way
from barreltide.notices.wording import Letter
from modem import Modem as Device
from modem import read_submit

NUMBER = "+351912345678"
WAY = Way("anna sms", "sms", NUMBER, "anna")


def letter(title: str = "yard: Go now. The pump stands still.", body: str = "Look at it.\nNotice x") -> Letter:
    return Letter(title, body, "urgent", "failure", "pump-stopped-pump", ("x",))


def read(pieces: list[str], reference: int = 7) -> list:
    found = []
    for length, hexadecimal in sms_pdu.submit(NUMBER, pieces, reference):
        octets = bytes.fromhex(hexadecimal)
        assert octets[0] == 0 and len(octets) == 1 + length
        found.append(read_submit(octets[1:]))
    return found


def test_a_message_as_the_books_print_it():
    # TS 23.038's packing of "hellohello", as it is printed everywhere (from memory): E8329BFD4697D9EC37
    ((_, hexadecimal),) = sms_pdu.submit("+46708251358", ["hellohello"], 0)
    assert hexadecimal.endswith("0AE8329BFD4697D9EC37") and "0B916407281553F8" in hexadecimal


@pytest.mark.parametrize(
    ("text", "most", "sizes"),
    [
        ("a" * 160, 3, [160]), ("a" * 161, 3, [153, 8]), ("a" * 459, 3, [153] * 3), ("a" * 460, 3, [153] * 3),
        ("€" * 80, 3, [80]), ("€" * 81, 3, [76, 5]), ("ж" * 70, 3, [70]), ("ж" * 71, 3, [67, 4]),
        ("ж" * 300, 3, [67] * 3), ("😀" * 35, 3, [35]), ("😀" * 36, 3, [33, 3]), ("", 3, [0]),
        ("Water 21.4 °C – look… “now”", 1, [29]),
    ],
)  # fmt: skip
def test_the_room_in_a_message(text, most, sizes):
    pieces = sms_pdu.parts(text, most)
    assert [len(piece) for piece in pieces] == sizes
    for short in read(pieces):
        assert short.octets <= 140


def test_what_is_too_long_ends_in_dots():
    for text in ("word " * 200, "слово " * 100, "€" * 900):
        pieces = sms_pdu.parts(text, 3)
        assert len(pieces) == 3 and pieces[-1].endswith("...")
    assert (
        sms_pdu.parts("word " * 40, 1) == [("word " * 40)[:149].rstrip() + "..."]
        or len(sms_pdu.parts("w" * 400, 1)) == 1
    )


@settings(max_examples=300, deadline=None)
@given(st.text(alphabet=st.characters(exclude_categories=["Cs"], exclude_characters="\x1b"), max_size=400))
def test_every_text_arrives_as_it_was_sent(text):
    pieces = sms_pdu.parts(text, 99)
    shorts = read(pieces)
    assert "".join(short.text for short in shorts) == text.translate(sms_pdu.PLAIN)
    assert all(short.octets <= 140 and short.number == NUMBER for short in shorts)
    if len(shorts) > 1:
        assert [short.header for short in shorts] == [(7, len(shorts), n) for n in range(1, len(shorts) + 1)]


@given(st.integers(10**5, 10**14))
def test_every_number_arrives_as_it_was_given(number):
    ((_, hexadecimal),) = sms_pdu.submit(f"+{number}", ["x"], 0)
    assert read_submit(bytes.fromhex(hexadecimal)[1:]).number == f"+{number}"


@pytest.fixture
def device(tmp_path, monkeypatch):
    for name, seconds in (("REPORT_S", 1.0), ("ANSWER_S", 1.0), ("SENDING_S", 1.0), ("SIM_S", 1.0), ("NETWORK_S", 3.0),
                          ("PORT_S", 1.0)):  # fmt: skip
        monkeypatch.setattr(sms, name, seconds)
    device = Device(tmp_path / "modem")
    yield device
    device.pull_out()


@pytest.fixture
def modem(device):
    return sms.Modem(str(device.path), lambda: "4711")


def send(modem: sms.Modem, message: Letter | None = None) -> str | None:
    return modem.send(WAY, message or letter(), threading.Event())


def check(modem: sms.Modem) -> str | None:
    return modem.check(threading.Event())


def test_a_notice_goes_out_and_is_reported_delivered(device, modem, caplog):
    caplog.set_level("INFO")
    assert send(modem) is None
    (short,) = device.sent
    assert (short.number, short.header, short.wants_report) == (NUMBER, None, True)
    assert short.text == "yard: Go now. The pump stands still.\nLook at it.", "and no id"
    assert "channel anna sms: delivered" in caplog.text and NUMBER not in caplog.text
    assert device.commands[:4] == ["AT", "ATE0", "AT+CMEE=1", "AT+CPIN?"] and "AT+CMGF=0" in device.commands


def test_a_long_notice_in_another_script_arrives_in_parts(device, modem):
    body = "Насос стоит. Посмотрите, вращается ли он, цел ли предохранитель. " * 2
    assert send(modem, letter(body=f"{body}\nNotice x")) is None
    assert [short.header[1:] for short in device.sent] == [(3, 1), (3, 2), (3, 3)]
    assert len({short.header[0] for short in device.sent}) == 1
    assert "".join(short.text for short in device.sent) == f"{letter().title}\n{body}"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"sim": "missing"}, "no SIM in the modem"),
        ({"sim": "SIM PUK"}, "the SIM asks for SIM PUK; only its owner can give that"),
        ({"sim": "SIM PIN", "pin": "0000"}, "the PIN is wrong"),
        ({"sim": "SIM PIN", "tries_left": 2}, "the SIM has 2 tries for its PIN left, so none is made"),
        ({"registration": {"CREG": [3], "CEREG": [3]}}, "the network refuses this SIM"),
        ({"registration": {"CREG": [2], "CEREG": [0]}}, "no network yet: the modem is looking for one"),
        ({"registration": {"CREG": [4]}}, "no network"),
        ({"registration": {"CREG": [0], "CEREG": [0]}}, "no network: the modem does not look for one"),
        ({"silent": True}, "the modem does not answer AT"),
        ({"refuse": {"AT+CPIN?": ["+CME ERROR: 13"]}}, "the SIM has failed"),
        ({"refuse": {"AT+CMGS": ["+CMS ERROR: 330"]}}, "the SIM knows no service centre"),
        ({"refuse": {"the message": ["+CMS ERROR: 500"]}}, "the modem does not say why"),
        ({"refuse": {"the message": ["+CMS ERROR: 21"]}}, "the network rejects it: no credit left?"),
        ({"refuse": {"the message": ["+CMS ERROR: 777"]}}, "the modem says +CMS ERROR: 777"),
        ({"refuse": {"the message": ["ERROR"]}}, "the modem says ERROR"),
        ({"refuse": {"AT+CMGS": [""]}}, "the modem gave no answer to AT+CMGS in time"),
        ({"refuse": {"the message": [" "]}}, "the modem gave no answer to AT+CMGS in time"),
        ({"reports": [0x46]}, "the network could not deliver it (status 70)"),
    ],
)  # fmt: skip
def test_what_goes_wrong_is_told_in_words_and_works_the_next_time(device, modem, change, words):
    good = {name: getattr(device, name) for name in change}
    for name, value in change.items():
        setattr(device, name, value)
    assert send(modem).startswith(words)
    for name, value in good.items():
        setattr(device, name, value)
    device.sim = "READY"
    device.sent.clear()
    assert send(modem) is None and len(device.sent) == 1


@pytest.mark.parametrize("reports", [None, [0x20], [0x30]])
def test_no_delivery_report_in_time_is_no_failure(device, modem, reports):
    device.reports = reports
    assert send(modem) is None, "the network has it, and a phone may be switched off"


@pytest.mark.parametrize("memory", ["SR", "SM"])
def test_a_report_that_lies_in_the_modem_is_fetched_and_cleared_away(device, modem, caplog, memory):
    caplog.set_level("INFO")
    device.report_memory = memory
    late = "06C80C91531932547698" + "62902221300140" * 2 + "00"  # of an earlier message, after nobody waited any more
    device.memory["SR"][7] = late
    assert send(modem) is None and "channel anna sms: delivered" in caplog.text
    body = "Насос стоит. Посмотрите, вращается ли он, цел ли предохранитель. " * 2
    assert send(modem, letter(body=f"{body}\nNotice x")) is None and caplog.text.count("delivered") == 2, "three parts"
    device.reports = [0x00, 0x46, 0x00]
    assert send(modem, letter(body=f"{body}\nNotice x")) == "the network could not deliver it (status 70)"
    # Where only reports lie, all are cleared away; among somebody's messages only those that were told of.
    assert device.memory == {"SM": {1: "somebody's message"}, "SR": {} if memory == "SR" else {7: late}}


def test_a_report_that_cannot_be_fetched_is_no_failure(device, modem):
    device.report_memory = "SR"
    device.refuse = {"AT+CMGR": ["+CMS ERROR: 321"] * 9}
    assert send(modem) is None and len(device.sent) == 1
    device.refuse = {"AT+CPMS": ["+CMS ERROR: 302"] * 9}
    assert send(modem) is None and len(device.sent) == 2
    device.refuse, device.news = {}, b'\r\n+CDSI: "SR",99\r\n\r\n+CDSI: nonsense\r\n'
    assert send(modem) is None and len(device.sent) == 3, "nor is one that is not there, or makes no sense"


def test_a_modem_that_knows_no_reports_sends_all_the_same(device, modem):
    device.refuse = {"AT+CNMI": ["ERROR", "ERROR"]}
    began_s = time.monotonic()
    assert send(modem) is None and len(device.sent) == 1
    assert time.monotonic() - began_s < 0.9, "nobody waits for what cannot come"


def test_the_pin_is_entered_once_where_it_is_asked_for(device, modem):
    device.sim = "SIM PIN"
    assert send(modem) is None and device.sim == "READY"
    device.sim = "SIM PIN"
    assert send(modem) is None, "after the modem lost its supply"


@pytest.mark.parametrize("knows_tries", [True, False])
def test_a_wrong_pin_costs_one_try_and_never_locks_the_sim(device, modem, knows_tries):
    device.sim, device.pin, device.knows_tries = "SIM PIN", "0000", knows_tries
    assert send(modem) == "the PIN is wrong"
    for _ in range(5):
        assert "not tried again" in send(modem)
    if knows_tries:  # a new start of the service forgets what it tried; the SIM does not
        assert "2 tries" in send(sms.Modem(str(device.path), lambda: "4711"))
    assert device.tries_left == 2 and device.sim == "SIM PIN"


@pytest.mark.parametrize("pin", ["", "12", "not a number"])
def test_a_sim_with_a_pin_and_no_pin_file(device, pin):
    device.sim = "SIM PIN"
    modem = sms.Modem(str(device.path), lambda: pin)
    assert send(modem) == "the SIM asks for its PIN; [sms] pin_file with 4 to 8 digits would do"
    assert device.tries_left == 3


def test_the_pin_file(tmp_path):
    (tmp_path / "pin").write_text("4711\n")
    assert sms.pin_of(tmp_path / "pin")() == "4711" and sms.pin_of(None)() == ""
    with pytest.raises(sms.ModemError, match="pin_file cannot be read"):
        sms.pin_of(tmp_path / "none")()


def test_a_sim_that_is_busy_and_a_network_that_is_looked_for_are_waited_for(device, modem):
    device.refuse = {"AT+CPIN?": ["+CME ERROR: 14"] * 2}
    device.registration = {"CREG": [2, 1], "CEREG": [0]}
    assert send(modem) is None


def test_a_network_of_the_newer_kind_will_do(device, modem):
    device.registration = {"CREG": [0], "CEREG": [5]}
    assert send(modem) is None


def test_a_modem_that_is_pulled_out_and_put_back(device, modem):
    device.pull_out()
    assert send(modem) == check(modem) == f"no modem at {device.path}: is it plugged in?"
    assert modem.health()["problem"] is not None
    device.plug_in()
    assert send(modem) is None and modem.health()["problem"] is None


def test_a_modem_that_is_pulled_out_in_the_midst(device, modem):
    device.unplugs_at = "AT+CMGS"
    assert "plugged in?" in send(modem)
    device.unplugs_at = None
    device.plug_in()
    assert send(modem) is None and len(device.sent) == 1


def test_a_conversation_cut_short_at_the_prompt_makes_no_message_of_the_next(device, modem):
    device._body = 20  # it waits for a message that nobody will finish, as the service was killed there
    assert send(modem) is None and len(device.sent) == 1 and device.sent[0].text.startswith("yard: ")


def test_one_that_wakes_up_late_and_talks_of_other_things(device, modem):
    device.ignores = 4
    device.news = b'\r\nRING\r\n\r\n+CREG: 1\r\n\r\n+CMTI: "SM",3\r\n\r\n^RSSI:20\r\n'
    assert send(modem) is None and check(modem) is None and len(device.sent) == 1


def test_signs_of_life(device, modem, caplog):
    assert check(modem) is None
    assert modem.health()["signal_dbm"] == -79 and modem.health()["problem"] is None
    device.rssi = 99
    assert check(modem) is None and modem.health()["signal_dbm"] is None
    device.sim = "missing"
    for _ in range(3):
        assert check(modem) == modem.health()["problem"] == "no SIM in the modem"
    assert caplog.text.count("no SIM in the modem") == 1, "told once"


def test_the_watch_looks_daily_and_sooner_after_trouble(device, modem):
    waits = []

    class Stop(threading.Event):
        def wait(self, seconds=None):
            if seconds >= 60:
                waits.append(seconds)
                device.sim = "missing" if len(waits) == 2 else "READY"
                return len(waits) > 4
            return super().wait(seconds)

    modem.watch(Stop())
    assert waits == [120, 86_400, 900, 86_400, 86_400]


def test_two_who_want_the_modem_take_turns(device, modem):
    other = sms.Modem(str(device.path))
    answers = []
    threads = [threading.Thread(target=lambda m=m: answers.append(send(m))) for m in (modem, modem, other)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert answers == [None] * 3 and len(device.sent) == 3


def test_stopping_cuts_a_conversation_short(device, modem, monkeypatch):
    monkeypatch.setattr(sms, "SENDING_S", 60)
    device.refuse = {"the message": [" "]}
    stop, began_s = threading.Event(), time.monotonic()
    threading.Timer(1.0, stop.set).start()
    assert modem.send(WAY, letter(), stop) == "stopped with the service"
    assert time.monotonic() - began_s < 5
