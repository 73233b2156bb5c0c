"""A node on a microcontroller: air temperature, humidity and its battery, over Wi-Fi to the broker.

Runs under MicroPython 1.23 or newer. Only ``board`` knows the hardware.
"""
