"""Write weather_year.csv from the TMY3 file that the pvlib wheel carries.

Run once by hand (``python extract_weather_year.py``); the package itself needs no pvlib.
"""

from __future__ import annotations

from pathlib import Path

import pvlib

HEADER = (
    "# Typical meteorological year, Sand Point, Alaska; see README.md in this folder\n"
    "hour_ending,dry_bulb_c,rel_hum_file_pct,pressure_pa\n"
)


def rows_from_tmy3() -> list[str]:
    """Return one CSV line per hour, exactly as the TMY3 file has it."""
    source = Path(pvlib.__file__).parent / "data" / "703165TY.csv"
    frame, _ = pvlib.iotools.read_tmy3(source, map_variables=True)
    columns = zip(frame["temp_air"], frame["relative_humidity"], frame["pressure"], strict=True)
    return [
        f"{hour},{float(dry_bulb):.1f},{int(rel_hum)},{int(pressure) * 100}"
        for hour, (dry_bulb, rel_hum, pressure) in enumerate(columns, start=1)
    ]


if __name__ == "__main__":
    target = Path(__file__).with_name("weather_year.csv")
    target.write_text(HEADER + "\n".join(rows_from_tmy3()) + "\n", encoding="utf-8")
