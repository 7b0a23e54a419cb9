"""The station's judgement-free half: everything that needs neither hardware nor network.

Runs alike on MicroPython and CPython, with the clock and the pins handed in, so a test or a simulated garden can
drive it faster than life:

    settings, warnings = station.settings.read(config_json_text)
    clock = Clock(simulated_ticks_ms); clock.set_epoch(1790000000000)          # or leave it unset
    sampler = Sampler(settings, clock, boot, probe)                            # probe: see sampler.py
    backlog = Backlog(folder, boot, clock, base_name=settings.base_name)
    every 50..100 simulated ms:
        for pack in sampler.poll(backlog.away()): backlog.add(pack)
        backlog.keep(connected)                                                # spills to flash when it should
        while (entry := backlog.due()): publish(settings.topic("readings"), backlog.payload(entry)); backlog.sent(entry)
    on a receipt {"boot": b, "seq": [...]}: backlog.forget(b, seqs)
    on a new connection: backlog.reconnected()

All times inside are integers in milliseconds: a board's floats have 24 bits and cannot hold the time of day.
"""

FIRMWARE = "0.1.0"
