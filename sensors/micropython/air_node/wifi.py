"""The way to the broker: Wi-Fi, a socket, and TLS with the shop's own authority."""

import binascii
import select
import socket
import time

import network

from air_node.errors import BrokerError

try:
    import tls
except ImportError:  # MicroPython before 1.23, or a build without TLS
    tls = None

AGAIN_MS = 20_000
"""Wi-Fi that is not there is asked for again after so long [ms]."""
RADIO_TRIES = 30
"""After so many tries in vain the radio is switched off and on."""
DIAL_S = 5
SEND_MS = 5_000
_WORDS = {201: "no such Wi-Fi is heard", 202: "its password is wrong", 204: "its password is wrong"}


class Stream:
    """A connection that does not wait for the other side."""

    def __init__(self, raw, sock):
        self._raw, self._sock = raw, sock
        sock.setblocking(False)
        self._poll = select.poll()
        self._poll.register(sock, select.POLLIN)

    def read(self, most):
        """Return what is there, None for nothing, no bytes for the end."""
        return self._sock.read(most)

    def write_all(self, data):
        """Send all of it, or raise OSError."""
        begin, view = time.ticks_ms(), memoryview(data)
        while view:
            # After "not yet" TLS wants the very same bytes again.
            count = self._sock.write(view)
            if count:
                view = view[count:]
            elif time.ticks_diff(time.ticks_ms(), begin) > SEND_MS:
                raise OSError("it takes nothing more")
            else:
                time.sleep_ms(5)

    def wait(self, ms):
        """Return when something can be read, or after so long [ms]."""
        self._poll.poll(ms)

    def close(self):
        """End it."""
        for one in (self._sock, self._raw):
            try:
                one.close()
            except OSError:
                pass


def der_from_pem(text):
    """Return the first certificate of a PEM text as DER, which every build takes."""
    lines = text.split("-----BEGIN CERTIFICATE-----")
    if len(lines) < 2 or "-----END CERTIFICATE-----" not in lines[1]:
        raise BrokerError(
            "broker.ca_file holds no certificate; copy the shop's ca.pem to the board"
        )
    return binascii.a2b_base64("".join(lines[1].split("-----END")[0].split()))


def trusting(ca_file):
    """Return a TLS context that speaks only with whom the shop's authority has signed."""
    if tls is None:
        raise BrokerError("this MicroPython cannot check a certificate; 1.23 or newer can")
    try:
        with open(ca_file) as file:
            der = der_from_pem(file.read())
    except OSError as error:
        raise BrokerError(f"broker.ca_file is {ca_file}: cannot be read ({error})") from None
    context = tls.SSLContext(tls.PROTOCOL_TLS_CLIENT)
    context.verify_mode = tls.CERT_REQUIRED
    context.load_verify_locations(der)
    return context


class Wifi:
    """Wi-Fi and the broker behind it; comes back by itself."""

    def __init__(self, settings):
        self._settings = settings
        self._wlan = network.WLAN(network.STA_IF)
        self._tries, self._asked_ms = 0, None
        self._context = None
        if settings.text("broker.ca_file"):
            self._context = trusting(settings.text("broker.ca_file"))

    def up(self):
        """Return whether Wi-Fi is there; ask for it otherwise."""
        if self._wlan.isconnected():
            self._tries = 0
            return True
        now_ms = time.ticks_ms()
        if self._asked_ms is None or time.ticks_diff(now_ms, self._asked_ms) > AGAIN_MS:
            self._asked_ms = now_ms
            self._ask()
        return False

    def _ask(self):
        try:
            if self._tries % RADIO_TRIES == 0:
                self._wlan.active(False)
                self._wlan.active(True)
            self._tries += 1
            self._wlan.connect(
                self._settings.text("wifi.name"), self._settings.text("wifi.password")
            )
        except OSError:
            # "Already at it": the next try will tell.
            pass

    def why(self):
        """Return why Wi-Fi is not there."""
        return "no Wi-Fi: " + _WORDS.get(self._wlan.status(), "not connected yet")

    def dial(self):
        """Return a connection to the broker; waits a few seconds at most."""
        host, port = self._settings.text("broker.host"), self._settings.whole("broker.port")
        try:
            address = socket.getaddrinfo(host, port, 0, socket.SOCK_STREAM)[0]
        except (OSError, IndexError):
            raise BrokerError(f"broker.host is {host}: no such name here") from None
        raw = socket.socket(address[0], address[1])
        try:
            raw.settimeout(DIAL_S)
            raw.connect(address[-1])
            sock = raw
            if self._context is not None:
                sock = self._context.wrap_socket(raw, server_hostname=host)
            return Stream(raw, sock)
        except (OSError, ValueError):
            raw.close()
            raise

    def pause(self, ms):
        """Wait so long [ms]."""
        time.sleep_ms(ms)
