import world

host = "pool.ntp.org"


def settime():
    world.happened("ntp %s" % host)
    if not world.now().get("ntp", True):
        raise OSError(110)
    import time

    if hasattr(time, "set_by_ntp"):
        time.set_by_ntp()
