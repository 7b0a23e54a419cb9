import world

STA_IF = 0


class WLAN:
    def __init__(self, interface):
        self.joined = False

    def active(self, on=None):
        return True

    def connect(self, ssid, password=None):
        self.joined = True
        world.happened("wifi %s" % ssid)

    def disconnect(self):
        self.joined = False

    def isconnected(self):
        return self.joined and world.now().get("wifi", True)

    def status(self, what=None):
        if what == "rssi":
            return -61
        raise ValueError("unknown status")

    def ifconfig(self):
        return ("127.0.0.1", "255.0.0.0", "127.0.0.1", "127.0.0.1")
