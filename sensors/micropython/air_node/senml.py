"""Measurements as SenML (RFC 8428) in JSON.

Times are written from whole numbers: a board's floating point has 24 bits, and a time of day in
it would be two minutes off.
"""

from air_node.ring import Measured
from air_node.sht3x import rel_hum_pct_from_raw, temp_c_from_raw


def seconds(ms: int) -> str:
    """Return milliseconds as a decimal number of seconds."""
    sign = "-" if ms < 0 else ""
    return f"{sign}{abs(ms) // 1000}.{abs(ms) % 1000:03d}"


def pack(topic: str, measured: list[Measured]) -> bytes:
    """Return one pack of measurements, oldest first.

    Args:
        topic: Where it goes; also the base name.
        measured: Dated ones, at least one.
    """
    base_ms = measured[0].at_ms
    records = []
    for one in measured:
        time = f'"t":{seconds(one.at_ms - base_ms)},' if one is not measured[0] else ""
        for name, unit, value in _values(one):
            records.append(f'{{{time}"n":"{name}","u":"{unit}","v":{value}}}')
    base = f'{{"bn":"{topic}/","bt":{seconds(base_ms)},'
    return f"[{base}{records[0][1:]},{','.join(records[1:])}]".encode()


def _values(one: Measured) -> list[tuple[str, str, str]]:
    values = [
        ("temp", "Cel", f"{temp_c_from_raw(one.temp_raw):.2f}"),
        ("rh", "%RH", f"{rel_hum_pct_from_raw(one.hum_raw):.2f}"),
    ]
    if one.battery_mv is not None:
        values.append(("battery", "V", seconds(one.battery_mv)))
    return values
