"""`barreltide serve` with people, a modem and a phone: an alarm through the real service to all of them."""

from __future__ import annotations

import json
import re

import httpx
import pytest

from barreltide import cli, service
from barreltide.commands.client import Client
from barreltide.notices import sms
from barreltide.site import load
from barreltide.store import Store
from conftest import SITE, until
from modem import Modem
from push_service import PushService
from test_notify import hooks  # noqa: F401
from test_service import payload, standin  # noqa: F401

OURS = {"X-Barreltide": "test"}


@pytest.fixture
def running(tmp_path, standin, hooks, monkeypatch):  # noqa: F811
    monkeypatch.setattr(sms, "REPORT_S", 1.0)
    monkeypatch.setattr(sms, "FIRST_LOOK_S", 0.2)
    monkeypatch.setattr(sms, "AFTER_TROUBLE_S", 0.2)
    modem, phone, hook = Modem(tmp_path / "modem"), PushService(), hooks()
    (tmp_path / "pin").write_text("4711")
    (tmp_path / "site.toml").write_text(
        f"""{SITE}
        [web]
        port = 0
        [sms]
        device = "{modem.path}"
        pin_file = "pin"
        [[person]]
        name = "anna"
        urls = ["{hook.url}"]
        sms = "+351912345678"
        """
    )
    running = service.Service(load(tmp_path / "site.toml"), broker_port=0)
    running.start()
    running.phone, running.device, running.hook = phone, modem, hook
    until(lambda: running.writer.ready, "the engine")
    yield running
    running.stop()
    phone.close()
    modem.pull_out()


def alarm(running, seq: int, word: str) -> None:
    from barreltide.mqtt import Message

    body = payload(seq, {"n": "test/alarm", "vs": word})
    running.intake.messages.put(Message("barreltide/garden/barrels/readings", body, len(body), 1, seq + 1, 1))


def test_an_alarm_reaches_mail_phone_and_sms_and_its_end_too_until_the_phone_is_lost(running, capsys, monkeypatch):
    api = f"{running.web.address}api/"
    told = {"person": "anna", "subscription": running.phone.subscription}
    answer = httpx.post(f"{api}push/phones", json=told, headers=OURS)
    assert answer.json() == {"phone": 1}, answer.text
    assert httpx.post(f"{api}push/phones", json=told).status_code == 415, "another page in a browser cannot do that"
    assert httpx.post(f"{api}push/phones", json=told | {"person": "zoe"}, headers=OURS).status_code == 422
    alarm(running, 0, "raise")
    until(lambda: running.hook.got and running.phone.got and running.device.sent, "three tellings")
    alarm(running, 1, "clear")
    until(lambda: len(running.hook.got) == len(running.phone.got) == len(running.device.sent) == 2, "the end of it")
    assert running.phone.wrong == [] and running.phone.sender_key == httpx.get(f"{api}push/key").json()["key"]
    assert "pump-stopped no more" in running.device.sent[1].text
    health = httpx.get(f"{api}health").json()
    assert [row["channel"] for row in health["notify"]] == ["anna 1 json", "anna sms", "anna push 1"]
    shown = json.dumps([health, httpx.get(f"{api}notices").json()])
    assert "quince" not in shown and "912345678" not in shown

    monkeypatch.setattr(Client, "of_site", lambda site: Client(running.web.address))
    file = str(running.site.beside("site.toml"))
    status, lines, _ = command(capsys, "phones", "--site", file)
    assert status == 0 and len(lines) == 2 and re.fullmatch(
        r" {4}1  anna {18}[-0-9]{10} [0-9:]{5}  [-0-9]{10} [0-9:]{5}  127\.0\.0\.1", lines[1])  # fmt: skip
    assert running.phone.subscription["keys"]["auth"] not in httpx.get(f"{api}push/phones").text
    status, lines, err = command(capsys, "phones", "--forget", "2", "--site", file)
    assert (status, lines, err) == (2, [], "barreltide: the service says: phone: found 2; 1 would do\n")
    assert httpx.delete(f"{api}push/phones/1").status_code == 415, "another page in a browser cannot do that"
    status, lines, _ = command(capsys, "phones", "--forget", "1", "--json", "--site", file)
    assert status == 0 and json.loads(lines[0]) == {"phones": []}
    alarm(running, 2, "raise")
    until(lambda: len(running.hook.got) == len(running.device.sent) == 3, "who is left")
    assert len(running.phone.got) == 2, "it gets nothing any more"
    assert [row["channel"] for row in httpx.get(f"{api}health").json()["notify"]] == ["anna 1 json", "anna sms"]
    assert "No phone takes Web Push." in command(capsys, "phones", "--site", file)[1][0]


def test_a_modem_in_trouble_shows_in_health_and_is_well_again(running):
    api = f"{running.web.address}api/"

    def problems() -> list[str]:
        return httpx.get(f"{api}health").json()["problems"]

    running.device.sim = "missing"
    until(lambda: "no SMS can be sent: no SIM in the modem" in problems(), "the trouble")
    running.device.sim = "READY"
    until(lambda: problems() == [], "its end")
    assert httpx.get(f"{api}health").json()["modem"]["signal_dbm"] == -79


def command(capsys, *arguments: str) -> tuple[int, list[str], str]:
    status = cli.main([*arguments])
    printed = capsys.readouterr()
    return status, printed.out.splitlines(), printed.err


def test_the_test_goes_through_every_channel_and_tells_each_answer(tmp_path, hooks, capsys, monkeypatch):  # noqa: F811
    monkeypatch.setattr(sms, "REPORT_S", 0.5)
    modem, phone, well, ill = Modem(tmp_path / "modem"), PushService(), hooks(), hooks(500, 500)
    file = tmp_path / "site.toml"
    file.write_text(
        f"""{SITE}
        [notify]
        urls = ["{well.url}"]
        [sms]
        device = "{modem.path}"
        [[person]]
        name = "anna"
        urls = ["{ill.url}"]
        sms = "+351912345678"
        """
    )
    store = Store(load(file).store_path)
    store.add_phone("anna", phone.subscription, 1.0)
    store.close()
    status, lines, err = command(capsys, "notify", "--test", "--site", str(file))
    assert status == 1 and len(lines) == 4 and err == ""
    for line, pattern in zip(lines, (
        r"1 json +taken \(\d+\.\d s\)", r"anna 1 json +not taken: .*500.*", r"anna sms +taken .*",
        r"anna push 1 +taken .*",
    ), strict=True):  # fmt: skip
        assert re.fullmatch(pattern, line), line
    assert well.got[0]["title"] == phone.got[0].shown["title"] == "garden: A test of this channel."
    assert modem.sent[0].text.endswith("Nothing is wrong.")
    assert "hunter2" not in str(lines) and "quince" not in str(lines) and "912345678" not in str(lines)
    assert command(capsys, "notify", "--test", "--site", str(file))[0] == 1
    status, lines, _ = command(capsys, "notify", "--test", "--site", str(file))
    assert status == 0 and all(" taken (" in line for line in lines)
    modem.pull_out()
    status, lines, _ = command(capsys, "notify", "--test", "--site", str(file))
    assert status == 1 and "is it plugged in?" in lines[2]
    phone.close()


def test_a_test_without_any_channel_says_so(tmp_path, capsys):
    (tmp_path / "site.toml").write_text(SITE)
    status, lines, _ = command(capsys, "notify", "--test", "--site", str(tmp_path / "site.toml"))
    assert status == 1 and lines == ["There is no channel: [notify] urls, or a [[person]] with urls or sms, would do."]
