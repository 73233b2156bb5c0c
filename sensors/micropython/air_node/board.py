"""The board: clock, I2C, battery, watchdog, time server and sleep. All the hardware is here."""

import time

import machine
import ntptime

WATCHDOG_MS = 60_000
BATTERY_SAMPLES = 8
_CAUSES = (
    ("PWRON_RESET", "power came on"),
    ("HARD_RESET", "reset"),
    ("WDT_RESET", "the watchdog"),
    ("DEEPSLEEP_RESET", "deep sleep"),
    ("SOFT_RESET", "a soft reset"),
)


class Board:
    """What a board offers, as the settings say."""

    def __init__(self, settings):
        self._settings = settings
        self._watchdog = None
        self._adc = None
        self.ticks_ms, self.ticks_diff, self.time_ns = time.ticks_ms, time.ticks_diff, time.time_ns
        self.pause = time.sleep_ms
        self.i2c = machine.I2C(
            0,
            sda=machine.Pin(settings.whole("air.sda")),
            scl=machine.Pin(settings.whole("air.scl")),
            freq=50_000,
        )
        if settings.has("battery.pin"):
            self._adc = machine.ADC(
                machine.Pin(settings.whole("battery.pin")), atten=machine.ADC.ATTN_11DB
            )

    def epoch_year(self):
        """Return from which year this build counts its time."""
        return time.gmtime(0)[0]

    def start_watchdog(self):
        """From now on the board starts anew unless it is fed. It cannot be stopped."""
        if self._settings.yes("watchdog"):
            self._watchdog = machine.WDT(timeout=WATCHDOG_MS)

    def feed(self):
        """Tell the watchdog that all is well."""
        if self._watchdog is not None:
            self._watchdog.feed()

    def battery_mv(self):
        """Return the battery's voltage [mV], or None without a battery."""
        if self._adc is None:
            return None
        total_uv = sum(self._adc.read_uv() for _ in range(BATTERY_SAMPLES))
        return int(total_uv * self._settings.number("battery.ratio") / BATTERY_SAMPLES / 1_000)

    def ask_time(self):
        """Set the clock by the time server; may raise OSError."""
        ntptime.host = self._settings.text("time_host")
        ntptime.settime()

    def started_by(self):
        """Return what made the board start."""
        cause = machine.reset_cause()
        for name, word in _CAUSES:
            if cause == getattr(machine, name, None):
                return word
        return "an unknown cause"

    def kept_asleep(self):
        """Return what was kept over deep sleep."""
        return machine.RTC().memory()

    def sleep(self, ms, keep):
        """Sleep deeply; the board starts anew afterwards."""
        machine.RTC().memory(keep)
        machine.deepsleep(ms)
