"""Wi-Fi that is there, unless a file ``no_wifi`` lies in the working folder."""

import os

STA_IF = 0


class WLAN:
    """A station."""

    def __init__(self, interface):
        self._asked = False

    def active(self, on):
        """Switch it."""

    def connect(self, name, password):
        """Ask for it."""
        self._asked = True

    def isconnected(self):
        """Return whether it is there."""
        try:
            os.stat("no_wifi")
        except OSError:
            return self._asked
        return False

    def status(self):
        """Return why it is not there: no such network, as on an ESP32."""
        return 201
